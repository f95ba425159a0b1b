"""A sharing link in; the colleague's page out: to read, to tick off, to keep on a phone."""
