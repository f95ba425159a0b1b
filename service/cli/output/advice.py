"""A recommendation as lines for a terminal or a file: title, what to do, cautions."""

from __future__ import annotations

from service.cli.output.tank_times import words_now
from service.client import Recommendation


def due_words(one: Recommendation, zone: str) -> str:
    """By when, in a zone; "" where there is no hurry."""
    return "" if one.due is None else f", by {words_now(one.due, zone)}"


def instruction_lines(one: Recommendation) -> list[str]:
    """What to do and the cautions, below the title."""
    return [one.action, *(f"Caution: {caution}" for caution in one.cautions)]
