"""Time series of readings behind one small interface."""
