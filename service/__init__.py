"""Littoral's service: tank science, store, registry, advice and the API."""
