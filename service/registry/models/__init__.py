"""The registry's values: a tank, what lives in it, its plans, and what people did to it."""
