"""A watched value day by day, before and after a change, as a small drawing."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from typing import Final

from service.advice.trials.judgement import Answer
from service.local_words import date_words

WIDTH: Final = 600.0
HEIGHT: Final = 120.0
AIR: Final = 0.15
"""Share of the height left free above and below."""
LEAST_STEPS: Final = 4
"""The height is at least so many steps of the last digit shown: noise below it looks small."""


@dataclass(frozen=True, slots=True)
class TrialDrawing:
    """One watched value: a drawing 600 wide and 120 high.

    Attributes:
        before, after: centres of the days of each side.
        left_out: where days are that sensors did not show.
        changed: where the day of the change is.
        means: height of the mean of each side; empty where there are too few days.
        span: from the lowest value to the highest.
        first, last: days at the edges.
        words: the same in words.
    """

    before: tuple[tuple[float, float], ...]
    after: tuple[tuple[float, float], ...]
    left_out: tuple[float, ...]
    changed: float
    means: tuple[float, ...]
    span: str
    first: str
    last: str
    words: str


def trial_drawing(answer: Answer, changed: date, today: date, digits: int) -> TrialDrawing | None:
    """The drawing; None where no day is known."""
    known = [(one.day, one.value) for one in answer.days if one.value is not None]
    if not known:
        return None
    values = [value for _, value in known]
    low, high = min(values), max(values)
    half = max(high - low, LEAST_STEPS * 10.0**-digits) * (0.5 + AIR)
    low, high = (low + high) / 2 - half, (low + high) / 2 + half
    first = min(answer.days[0].day, changed)
    last = max(answer.days[-1].day, changed)
    days = max((last - first).days + 1, 1)

    def x(day: date) -> float:
        return WIDTH * ((day - first).days + 0.5) / days

    def y(value: float) -> float:
        return HEIGHT * (high - value) / (high - low)

    points = [(day < changed, (x(day), y(value))) for day, value in known]
    means = tuple(y(one) for one in (answer.before, answer.after) if one is not None)
    return TrialDrawing(
        before=tuple(point for earlier, point in points if earlier),
        after=tuple(point for earlier, point in points if not earlier),
        left_out=tuple(x(one.day) for one in answer.days if one.value is None),
        changed=x(changed),
        means=means if len(means) == 2 else (),
        span=_span(values, digits),
        first=date_words(first, today),
        last=date_words(last, today),
        words=_words(answer, values, digits),
    )


def _span(values: Sequence[float], digits: int) -> str:
    low, high = f"{min(values):.{digits}f}", f"{max(values):.{digits}f}"
    return low if low == high else f"{low} to {high}"


def _words(answer: Answer, values: Sequence[float], digits: int) -> str:
    span = _span(values, digits)
    text = (
        f"{answer.title}: {answer.days_before} days before and {answer.days_after} after, "
        f"{'from ' if ' to ' in span else 'all '}{span}"
    )
    if answer.before is None or answer.after is None:
        return text
    return f"{text}; means {answer.before:.{digits}f} and {answer.after:.{digits}f}"
