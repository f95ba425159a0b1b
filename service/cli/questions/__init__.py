"""Commands that ask how tanks are and what to do: of a running service, or by a formula alone."""
