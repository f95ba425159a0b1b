"""Plants: how fast they grow, from heights that were measured."""
