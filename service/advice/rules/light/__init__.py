"""Rules on the lamp and the light it gives."""
