"""Registries and stores of each version, opened by today's code."""
