"""Ways out to other programs."""
