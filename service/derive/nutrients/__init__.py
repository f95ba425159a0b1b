"""A tank's plans and log in; the level of its nutrients over time out."""
