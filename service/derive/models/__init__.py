"""Values derived of a tank: CO2, light, temperature, gas exchange, and the view of them all."""
