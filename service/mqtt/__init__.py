"""The connection to an MQTT broker, and retained messages kept at it as they should be."""
