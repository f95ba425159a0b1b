"""Fields of the log: what every entry has, and what belongs to each kind."""
