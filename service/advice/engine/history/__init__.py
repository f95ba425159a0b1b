"""Findings in; recommendations with an identity and a history, and change events, out."""
