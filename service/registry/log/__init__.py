"""Log entries in; what they say of calibrations, plans and observations out, also in words."""
