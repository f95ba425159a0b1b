"""Quality checks: a reading and those before it in, flags out; nothing is dropped."""
