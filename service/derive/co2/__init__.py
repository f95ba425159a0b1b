"""A tank's pH, alkalinity and temperature in; its CO2 now, while lit and day by day out."""
