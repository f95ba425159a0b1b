"""Rules on fertiliser."""
