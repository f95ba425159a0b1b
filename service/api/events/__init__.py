"""Change events over HTTP: as a list, and as a stream of server-sent events."""
