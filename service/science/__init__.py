"""Pure functions on numpy arrays; no I/O; every constant cited."""
