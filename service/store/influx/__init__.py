"""Readings in InfluxDB 1.x, 2.x or 3.x: written as line protocol, read by InfluxQL."""
