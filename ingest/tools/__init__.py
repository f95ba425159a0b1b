"""Dry run, suggestion of routes, and recalculation of stored readings."""
