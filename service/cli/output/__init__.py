"""Answers in, tables, lines, small curves and JSON on the terminal out."""
