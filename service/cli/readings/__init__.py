"""Commands on stored readings: import, export, copy, recalibrate, upkeep of the store."""
