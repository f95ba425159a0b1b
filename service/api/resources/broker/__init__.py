"""What arrives at the broker, and the routes that make readings of it."""
