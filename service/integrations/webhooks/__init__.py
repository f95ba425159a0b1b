"""Change events in; signed CloudEvents, delivered at least once, out."""
