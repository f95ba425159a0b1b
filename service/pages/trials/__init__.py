"""Trials for people: begin one, see its result, end it."""
