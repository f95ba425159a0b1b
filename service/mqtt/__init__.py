"""MQTT clients by the configuration, and retained messages that follow the tanks."""
