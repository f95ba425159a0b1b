"""A tank and its series -> CO2, light, excursions, gas-exchange fit."""
