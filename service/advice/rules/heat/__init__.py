"""Rules on temperature."""
