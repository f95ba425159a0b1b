"""The registry: tanks, animals, plants, equipment, log entries."""
