"""A watched value of the days before a change against the days after it."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import date
from typing import Final

import numpy as np
import numpy.typing as npt

from service.derive.watched.tank_days import TankDays
from service.derive.watched.values import Watched
from service.science.numeric.before_after import LEAST_DAYS, Difference, before_after
from service.science.numeric.sets import distinct

FIRST_MONDAY: Final = date(1, 1, 1).toordinal()
"""The first day of the calendar that Python counts by is a Monday."""


@dataclass(frozen=True, slots=True)
class DayValue:
    """One local day; None where it is not known."""

    day: date
    value: float | None


@dataclass(frozen=True, slots=True)
class Reached:
    """How long a target took: whole days from the change to the first that reached it.

    Attributes:
        latest: that day counted from the change; None where no day did.
        earliest: as early it may have been: days just before that are not known.
        days: days after the change that were seen.
    """

    earliest: int | None
    latest: int | None
    days: int


@dataclass(frozen=True, slots=True)
class Comparison:
    """What is watched, day by day, and the result.

    Attributes:
        changed: the day of the change, which belongs to neither side.
        days: of both sides, oldest first.
        difference: after minus before; None where too few days of a side are known.
        reached: of what has a target to be reached; else None.
    """

    watched: Watched
    changed: date
    days: tuple[DayValue, ...]
    difference: Difference | None
    reached: Reached | None = None

    @property
    def usable(self) -> tuple[int, int]:
        """Known days before and after the change."""
        known = [one.day for one in self.days if one.value is not None]
        before = sum(day < self.changed for day in known)
        return before, len(known) - before

    @property
    def left_out(self) -> tuple[date, ...]:
        """The days that are not known."""
        return tuple(one.day for one in self.days if one.value is None)

    @property
    def enough(self) -> bool:
        """Whether both sides have days enough to say anything."""
        return min(self.usable) >= LEAST_DAYS


def compare(
    watched: Watched, before: TankDays, after: TankDays, changed: date, last: date
) -> Comparison:
    """Compare two sides of a change.

    Args:
        before, after: days that end before, and begin after, the day of the change at least.
        last: the last day that counts.
    """
    values = {day: one for day, one in watched.of(before).items() if day < changed}
    values |= {day: one for day, one in watched.of(after).items() if changed < day <= last}
    days = tuple(DayValue(day, values[day]) for day in sorted(values))
    if watched.reached_at is not None:
        reached = _reached(days, changed, watched.reached_at)
        return Comparison(watched, changed, days, None, reached)
    numbers = np.array([one.day.toordinal() - FIRST_MONDAY for one in days], np.float64)
    found = np.array([np.nan if one.value is None else one.value for one in days], np.float64)
    difference = before_after(numbers, found, changed.toordinal() - FIRST_MONDAY)
    if difference is not None and _mostly_alike(found, watched.digits):
        difference = _no_narrower(difference, 0.5 * 10.0**-watched.digits)
    return Comparison(watched, changed, days, difference)


FINER_DIGITS: Final = 3
"""Days whose values differ by less than so many digits beyond those shown are alike. Our choice."""


def _mostly_alike(value: npt.NDArray[np.float64], digits: int) -> bool:
    """Whether most days have the same few values, such as a share at its ceiling.

    Such days hardly show a spread, from which the interval comes. Else it needs no least width.
    """
    known = value[np.isfinite(value)]
    return bool(2 * distinct(np.round(known, digits + FINER_DIGITS)).size <= known.size)


def _no_narrower(one: Difference, half: float) -> Difference:
    """The difference, surely known to no more than what numbers are shown to."""
    low, high = min(one.low, one.step - half), max(one.high, one.step + half)
    return replace(one, low=low, high=high)


def _reached(days: tuple[DayValue, ...], changed: date, level: float) -> Reached:
    later = [one for one in days if one.day > changed]
    seen = sum(one.value is not None for one in later)
    unseen_since: int | None = None
    for one in later:
        number = (one.day - changed).days
        if one.value is None:
            unseen_since = unseen_since or number
        elif one.value >= level:
            return Reached(unseen_since or number, number, seen)
        else:
            unseen_since = None
    return Reached(None, None, seen)
