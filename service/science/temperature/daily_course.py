"""The daily course of a tank, from its own days: how temperature goes on from this time of day.

The method of analogues (Lorenz 1969, J. Atmos. Sci. 26:636-646, from memory): what followed this
time of day on each of the last days, seen from its level then, is what may follow now. Their mean
is the seasonal component, their deviations show how far days differ. New days are drawn as
combinations of the deviations, so that hours hang together as they did; with few days they spread
by Student's t.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import ArrayLike

from service.science.constants import SECONDS_PER_HOUR
from service.science.numeric.checks import Floats, as_number
from service.science.numeric.intervals import series, steps

MOST_DAYS: Final = 14
LEAST_DAYS: Final = 3
"""Of so many days at least a daily course is made. Our choice."""

STEP_H: Final = 1 / 12
LEVEL_H: Final = 0.5
"""The level of a day is its mean over so long before this time of day. Our choice."""

MAX_GAP_S: Final = 3600.0
"""A day with a longer step between samples is left out. Our choice."""


@dataclass(frozen=True)
class DailyCourse:
    """What followed this time of day on the last days.

    Attributes
    ----------
    hours: from the present, (m,), negative before it.
    mean: K above the level at the present, (m,).
    deviations: of each day from the mean, (days, m).
    """

    hours: Floats
    mean: Floats
    deviations: Floats

    def at(self, hours: Floats) -> Floats:
        """The mean at some hours."""
        return np.interp(hours, self.hours, self.mean)

    def usual_move_c(self, blocks: int) -> float:
        """How far a day departs from the mean within so many half hours, at its most: rms."""
        days = self.deviations.shape[0]
        steps_each = round(LEVEL_H / STEP_H)
        whole = self.deviations.shape[1] // steps_each
        halves = self.deviations[:, : whole * steps_each].reshape(days, whole, steps_each)
        windows = np.lib.stride_tricks.sliding_window_view(halves.mean(axis=2), blocks + 1, axis=1)
        moves = np.abs(windows[..., -1:] - windows[..., :-1]).max(axis=2)
        return float(np.sqrt((moves**2).mean() * days / (days - 1) * (1 + 1 / days)))

    def drawn(self, hours: Floats, draws: int, rng: np.random.Generator) -> Floats:
        """Deviations of new days at some hours, (draws, hours)."""
        days = self.deviations.shape[0]
        each = np.stack([np.interp(hours, self.hours, one) for one in self.deviations])
        share = rng.standard_normal((draws, days)) * np.sqrt((1 + 1 / days) / (days - 1))
        scale = np.sqrt((days - 1) / rng.chisquare(days - 1, draws))
        return np.asarray((scale[:, None] * share) @ each)


def daily_course(
    time_s: ArrayLike, temperature_c: ArrayLike, now_s: float, *, back_h: float, ahead_h: float
) -> DailyCourse | None:
    """The daily course around this time of day.

    Parameters
    ----------
    time_s: unix seconds (n,), sorted.  temperature_c: °C (n,); NaN samples are skipped.
    now_s: the present; later samples are not looked at.
    back_h, ahead_h: how far the course reaches, up to 24 together.

    Returns
    -------
    DailyCourse; None where fewer than `LEAST_DAYS` days are known without a gap.

    Raises
    ------
    OutOfRangeError: time not sorted, lengths unequal, hours not positive.
    """
    back = as_number("back_h", back_h, above=0, high=24, unit="h")
    ahead = as_number("ahead_h", ahead_h, above=0, high=24 - back, unit="h")
    time, temperature = series("temperature_c", time_s, temperature_c)
    steps(time)
    first, last = -round(back / STEP_H), round(ahead / STEP_H)
    hours = np.asarray(np.arange(first, last + 1) * STEP_H, np.float64)
    level = (hours > -LEVEL_H) & (hours <= 1e-9)
    days = []
    for day in range(1, MOST_DAYS + 1):
        moments = now_s - day * 24 * SECONDS_PER_HOUR + hours * SECONDS_PER_HOUR
        begin, end = np.searchsorted(time, (moments[0], moments[-1]))
        around = slice(max(int(begin) - 1, 0), int(end) + 1)
        there = time[around]
        if there.size < 2 or there[0] > moments[0] or there[-1] < moments[-1]:
            continue
        if np.diff(there).max() > MAX_GAP_S:
            continue
        one = np.interp(moments, there, temperature[around])
        days.append(one - one[level].mean())
    if len(days) < LEAST_DAYS:
        return None
    found = np.stack(days)
    mean: Floats = np.asarray(found.mean(axis=0), dtype=np.float64)
    return DailyCourse(hours, mean, found - mean)
