"""What earlier configurations published over MQTT in; its retained topics emptied."""
