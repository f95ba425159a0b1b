"""Readings from and to files and between stores: CSV in; CSV, line protocol, Parquet out; copy."""
