"""Dimensions, hardness and changes of water in; volume, mixtures and what they do out."""
