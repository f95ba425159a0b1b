"""Commands that set sensors up: routes, calibrations."""
