"""Samples in; calibrated, judged readings out."""
