"""Pages that set sensors up: what arrives, routes, which one is believed, calibration."""
