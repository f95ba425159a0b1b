"""Tanks and their series in, views that are made again and again out, checked each time."""
