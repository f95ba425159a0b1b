"""pH, alkalinity and temperature in, dissolved CO2 out, with its interval; and the way back."""
