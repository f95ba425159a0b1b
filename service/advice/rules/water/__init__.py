"""Rules on water changes."""
