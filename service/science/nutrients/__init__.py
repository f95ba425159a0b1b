"""Salts, stock solutions and volumes in; concentrations, doses and their limits out."""
