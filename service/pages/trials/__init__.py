"""Trials for people: begin one, see what came of it, end it."""
