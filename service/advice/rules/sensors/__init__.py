"""Rules on the sensors themselves."""
