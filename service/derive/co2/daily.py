"""CO2 of each local day: at lights-on, mean and peak while lit, minutes to target, at night."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, datetime
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from service.derive.models.co2 import Array, Co2Series
from service.derive.models.co2_days import Co2Day
from service.times import from_us, to_us

LEAST_NIGHT_H = 5.0
"""A shorter dark stretch is no night to judge by. Our choice."""

Times = npt.NDArray[np.int64]


class LightSpan(NamedTuple):
    """The light of a day: local day, first on, last off, and when the gas is off as well."""

    day: date
    on: datetime
    off: datetime
    night_from: datetime


def co2_days_of(
    series: Co2Series, spans: Sequence[LightSpan], low_mg_l: float
) -> tuple[Co2Day, ...]:
    """CO2 of each day of light, oldest first.

    Args:
        series: CO2, mg/L, sorted by time.
        spans: oldest first.
        low_mg_l: lower end of the plants' target.

    Returns:
        Days for which CO2 is known while lit; the others are left out.
    """
    known = ~np.isnan(series.value)
    time_us, value = series.time_us[known], series.value[known]
    gap_us = round(series.gap_s * 1e6)
    days = []
    for number, span in enumerate(spans):
        following = spans[number + 1].on if number + 1 < len(spans) else None
        before = spans[number - 1].off if number else None
        found = _day(time_us, value, span, before, following, low_mg_l, gap_us)
        if found is not None:
            days.append(found)
    return tuple(days)


def _day(
    time_us: Times,
    value: Array,
    span: LightSpan,
    before: datetime | None,
    following: datetime | None,
    low_mg_l: float,
    gap_us: int,
) -> Co2Day | None:
    day, on, off, night_from = span
    first, last = np.searchsorted(time_us, (to_us(on), to_us(off)))
    if last - first < 2:
        return None
    lit = value[first:last]
    peak = int(np.argmax(lit))
    dusk, dark_low, dark_h = _night(time_us, value, night_from, following, gap_us)
    return Co2Day(
        day=day,
        on_at=on,
        off_at=off,
        at_on_mg_l=float(lit[0]) if time_us[first] - to_us(on) <= gap_us else None,
        mean_lit_mg_l=float(lit.mean()),
        peak_mg_l=float(lit[peak]),
        peak_at=from_us(int(time_us[first + peak])),
        reached_min=_reached_min(time_us, value, on, off, before, low_mg_l, gap_us),
        night_from=night_from,
        dusk_mg_l=dusk,
        night_low_mg_l=dark_low,
        night_h=dark_h,
        known_share=_known_share(time_us[first:last], to_us(on), to_us(off), gap_us),
    )


def _known_share(time_us: Times, on_us: int, off_us: int, gap_us: int) -> float:
    """Share of the time from on to off that lies between values no further apart than a gap."""
    step_us = np.diff(np.concatenate(([on_us], time_us, [off_us])))
    return float(step_us[step_us <= gap_us].sum() / max(off_us - on_us, 1))


def _reached_min(
    time_us: Times,
    value: Array,
    on: datetime,
    off: datetime,
    before: datetime | None,
    low_mg_l: float,
    gap_us: int,
) -> float | None:
    """Minutes from lights-on to target: below 0 where CO2 was there before.

    None if it never was, or where CO2 is not known at lights-on.

    Before lights-on the stretch counts that is unbroken up to lights-on.
    """
    on_us = to_us(on)
    first, last = np.searchsorted(time_us, (on_us, to_us(off)))
    if time_us[first] - on_us > gap_us:
        return None  # the morning is not known
    if value[first] >= low_mg_l:
        earliest = 0 if before is None else int(np.searchsorted(time_us, to_us(before)))
        below = np.flatnonzero(value[earliest:first] < low_mg_l)
        start = earliest + (int(below[-1]) + 1 if below.size else 0)
        return float(time_us[min(start, first)] - on_us) / 6e7
    there = np.flatnonzero(value[first:last] >= low_mg_l)
    return None if not there.size else float(time_us[first + int(there[0])] - on_us) / 6e7


def _night(
    time_us: Times,
    value: Array,
    night_from: datetime,
    following: datetime | None,
    gap_us: int,
) -> tuple[float | None, float | None, float]:
    """CO2 at dusk, the lowest of the night, and the hours of it that are known without a gap."""
    first = int(np.searchsorted(time_us, to_us(night_from)))
    end = time_us.size if following is None else int(np.searchsorted(time_us, to_us(following)))
    if end - first < 2 or (np.diff(time_us[first:end]) > gap_us).any():
        return None, None, 0.0
    hours = float(time_us[end - 1] - to_us(night_from)) / 3.6e9
    low = float(value[first:end].min()) if hours >= LEAST_NIGHT_H else None
    return float(value[first]), low, hours
