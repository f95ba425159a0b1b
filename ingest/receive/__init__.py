"""A broker in; messages in a queue, acknowledged when they are stored, out."""
