"""Readings in one SQLite file with rollups: the default store."""
