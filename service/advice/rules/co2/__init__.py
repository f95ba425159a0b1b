"""Rules on dissolved CO2 and its gas."""
