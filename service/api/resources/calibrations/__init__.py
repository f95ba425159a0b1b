"""Calibrations of a tank's sensors: what they found, whether a sensor has settled, undo."""
