"""SQL of how readings come in: routes, sensors, clocks of devices, rejected messages."""
