"""Animals and plants of a tank over HTTP, and the table of species."""
