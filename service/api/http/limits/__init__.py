"""How much a caller may ask, and how much one request may read."""
