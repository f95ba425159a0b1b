"""``littoral log``: options in, a log entry sent to the running service."""
