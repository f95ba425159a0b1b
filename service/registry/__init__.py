"""The registry: tanks, livestock, plants, equipment, log entries."""
