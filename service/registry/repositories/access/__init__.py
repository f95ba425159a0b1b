"""SQL of who may do what: tokens, sessions, links, keys; and of who wrote what."""
