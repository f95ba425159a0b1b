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
    gaps = np.flatnonzero(np.diff(time_us) > gap_us).tolist()
    co2 = _Co2(time_us, value, low_mg_l, gap_us, gaps)
    edges = [to_us(edge) for span in spans for edge in (span.on, span.off, span.night_from)]
    at = np.searchsorted(time_us, edges).tolist()
    places = list(zip(at[::3], at[1::3], at[2::3], strict=True))
    days = []
    for number, (span, (first, last, dusk)) in enumerate(zip(spans, places, strict=True)):
        if last - first < 2:
            continue
        before = places[number - 1][1] if number else 0
        end = places[number + 1][0] if number + 1 < len(spans) else len(time_us)
        days.append(_day(co2, span, slice(first, last), before, slice(dusk, end)))
    return tuple(days)


class _Co2(NamedTuple):
    """Known CO2, the lower end of the target, and after which samples a gap is."""

    time_us: Times
    value: Array
    low_mg_l: float
    gap_us: int
    gaps: list[int]

    def gaps_within(self, part: slice) -> list[int]:
        """The gaps between two samples of a part."""
        return [one for one in self.gaps if part.start <= one < part.stop - 1]


def _day(co2: _Co2, span: LightSpan, lit: slice, before: int, night: slice) -> Co2Day:
    """CO2 of a day by its samples; ``before`` is the first after the light of the day before."""
    on_us = to_us(span.on)
    value = co2.value[lit]
    peak = int(value.argmax())
    first_us = int(co2.time_us[lit.start])
    dusk, dark_low, dark_h = _night(co2, night, to_us(span.night_from))
    return Co2Day(
        day=span.day,
        on_at=span.on,
        off_at=span.off,
        at_on_mg_l=float(value[0]) if first_us - on_us <= co2.gap_us else None,
        mean_lit_mg_l=float(value.sum()) / value.size,
        peak_mg_l=float(value[peak]),
        peak_at=from_us(int(co2.time_us[lit.start + peak])),
        reached_min=_reached_min(co2, lit, before, on_us),
        night_from=span.night_from,
        dusk_mg_l=dusk,
        night_low_mg_l=dark_low,
        night_h=dark_h,
        known_share=_known_share(co2, lit, on_us, to_us(span.off)),
    )


def _known_share(co2: _Co2, lit: slice, on_us: int, off_us: int) -> float:
    """Share of the time from on to off that lies between values no further apart than a gap."""
    time_us = co2.time_us
    steps_us = [int(time_us[lit.start]) - on_us, off_us - int(time_us[lit.stop - 1])]
    steps_us += [int(time_us[one + 1] - time_us[one]) for one in co2.gaps_within(lit)]
    unknown_us = sum(step_us for step_us in steps_us if step_us > co2.gap_us)
    return (off_us - on_us - unknown_us) / max(off_us - on_us, 1)


def _reached_min(co2: _Co2, lit: slice, before: int, on_us: int) -> float | None:
    """Minutes from lights-on to target: below 0 where CO2 was there before.

    None if it never was, or where CO2 is not known at lights-on.

    Before lights-on the stretch counts that is unbroken up to lights-on.
    """
    if co2.time_us[lit.start] - on_us > co2.gap_us:
        return None  # the morning is not known
    if co2.value[lit.start] >= co2.low_mg_l:
        below = co2.value[before : lit.start][::-1] < co2.low_mg_l
        back = int(below.argmax()) if below.any() else below.size
        return float(co2.time_us[lit.start - back] - on_us) / 6e7
    there = co2.value[lit] >= co2.low_mg_l
    ahead = int(there.argmax())
    return float(co2.time_us[lit.start + ahead] - on_us) / 6e7 if there[ahead] else None


def _night(co2: _Co2, night: slice, dusk_us: int) -> tuple[float | None, float | None, float]:
    """CO2 at dusk, the lowest of the night, and the hours of it that are known without a gap."""
    if night.stop - night.start < 2 or co2.gaps_within(night):
        return None, None, 0.0
    value = co2.value[night]
    hours = float(co2.time_us[night.stop - 1] - dusk_us) / 3.6e9
    low = float(value.min()) if hours >= LEAST_NIGHT_H else None
    return float(value[0]), low, hours
