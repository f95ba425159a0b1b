"""Options and parameters that several commands share."""
