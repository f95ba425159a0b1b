"""Readings in VictoriaMetrics, one server or a cluster."""
