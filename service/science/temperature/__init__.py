"""A temperature series in; excursions, rate, days and forecast out."""
