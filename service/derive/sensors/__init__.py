"""A tank's sensors and log in; which of them count, and which of their readings, out."""
