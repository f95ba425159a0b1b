"""What is derived of a tank, over HTTP: CO2, light, temperature, gas exchange, nutrients."""
