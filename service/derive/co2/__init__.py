"""A tank's pH, KH and temperature in; its CO2 now, while lit and day by day out."""
