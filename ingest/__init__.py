"""The way in: MQTT message -> validated Reading -> store."""
