"""A CO2 series in; exchange coefficient, injection and what they mean for a tank out."""
