"""CO2 of the last day against what plants want while lit and what animals tolerate always."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime

import numpy as np
import numpy.typing as npt

from service.derive.co2.target import Target
from service.derive.models.co2 import Array, Co2Series
from service.derive.models.co2_days import Co2High, Co2Lit
from service.science.light.co2 import lit_shares_by_co2
from service.science.numeric.intervals import Interval, gaps, runs_above, samples_within, steps
from service.science.numeric.ranks import running_median_of_five
from service.times import from_us, to_us

HOUR_S = 3600.0
WAIT_S = 3 * HOUR_S
"""So long after lights-on CO2 may still be on its way. Our choice."""
Lit = Sequence[tuple[datetime, datetime]]


def clipped_lit(lit: Lit, start: datetime, end: datetime) -> tuple[Interval, ...]:
    """The parts of lit intervals that lie between two moments."""
    return tuple(
        Interval(max(on, start).timestamp(), min(off, end).timestamp())
        for on, off in lit
        if on < end and off > start
    )


def co2_while_lit(
    series: Co2Series, lit: Lit, target: Target, start: datetime, end: datetime
) -> Co2Lit | None:
    """How CO2 met its target over the lit time between two moments.

    Args:
        series: CO2, mg/L, sorted by time.
        lit: lit intervals, oldest first, not overlapping.

    Returns:
        None where nothing was lit or CO2 is not known for any of it.
    """
    inside = clipped_lit(lit, start, end)
    if not inside or not len(series.time_us) or target.low_mg_l >= target.high_mg_l:
        return None
    gap_s, series = series.gap_s, _since(series, min([start, *_begun(lit, start, end)]))
    time_s = series.time_us / 1e6
    (share,) = lit_shares_by_co2(
        time_s, series.value, [inside], target.low_mg_l, target.high_mg_l, max_gap_s=gap_s
    )
    while_lit = within_intervals(time_s, inside)
    if not while_lit.any() or np.isnan(share.within):
        return None
    value, high, lit_us = (one[while_lit] for one in (series.value, series.high, series.time_us))
    below = value < target.low_mg_l
    minutes = share.lit_s / 60
    window = Interval(start.timestamp(), end.timestamp())
    whole = [Interval(on.timestamp(), min(off, end).timestamp()) for on, off in lit]
    edges = [
        _below_at_edges(time_s, series.value, one, window, target.low_mg_l, gap_s)
        for one in whole
        if one.start_s < window.end_s and one.end_s > window.start_s
    ]
    return Co2Lit(
        lit_min=minutes,
        known_min=minutes * (1 - share.unknown),
        below_min=minutes * share.below,
        within_min=minutes * share.within,
        above_min=minutes * share.above,
        shortfall_mg_l=float((target.low_mg_l - value[below]).mean()) if below.any() else 0.0,
        early_below_min=sum(one for one, _ in edges) / 60,
        tail_below_min=sum(one for _, one in edges) / 60,
        surely_below_share=float((high < target.low_mg_l).mean()),
        last_hour_below_share=_mean(below[lit_us / 1e6 > hour_back(inside)]),
        lowest_mg_l=float(value.min()),
        highest_mg_l=float(value.max()),
        start=from_us(int(lit_us[0])),
        end=from_us(int(lit_us[-1])),
    )


def _begun(lit: Lit, start: datetime, end: datetime) -> list[datetime]:
    """When the lit intervals began that lie between two moments, all or in part."""
    return [on for on, off in lit if on < end and off > start]


def _since(series: Co2Series, start: datetime) -> Co2Series:
    """What is known from the last value before a moment on: all that lines after it need."""
    known = np.flatnonzero(~np.isnan(series.value))
    here = known[max(int(series.time_us[known].searchsorted(to_us(start))) - 1, 0) :]
    return Co2Series(series.time_us[here], series.value[here], series.low[here], series.high[here])


def hour_back(lit: Sequence[Interval]) -> float:
    """The moment since which an hour of light has passed, or the first moment of light."""
    left_s = HOUR_S
    for one in reversed(lit):
        if one.length_s > left_s:
            return one.end_s - left_s
        left_s -= one.length_s
    return lit[0].start_s - 1.0


def _below_at_edges(
    time_s: Array, value: Array, lit: Interval, window: Interval, low_mg_l: float, gap_s: float
) -> tuple[float, float]:
    """Seconds below target at the beginning and at the end of one lit interval.

    Both 0 where target is never reached in it: the shortfall then is no matter of timing. But
    in light that has just begun it may still come: all of it then counts as beginning.

    Args:
        value: CO2, known throughout.
        window: only seconds in it count.
    """
    here = samples_within(time_s, lit.start_s, lit.end_s)
    known = time_s[here]
    if not known.size:
        return 0.0, 0.0
    reached = known[value[here] >= low_mg_l]
    from_start = known[0] - lit.start_s <= gap_s
    if not reached.size:
        just_begun = lit.end_s >= window.end_s - gap_s and lit.length_s < WAIT_S
        return (_inside(lit.start_s, lit.end_s, window) if just_begun else 0.0), 0.0
    early = _inside(lit.start_s, float(reached[0]), window) if from_start else 0.0
    return early, _inside(float(reached[-1]), lit.end_s, window)


def _inside(start_s: float, end_s: float, window: Interval) -> float:
    """Seconds of a stretch that lie in the window."""
    return max(min(end_s, window.end_s) - max(start_s, window.start_s), 0.0)


def _mean(values: npt.NDArray[np.bool_]) -> float:
    """Share of True; 1 where nothing is known, so that nobody takes it for recovered."""
    return float(values.mean()) if values.size else 1.0


@dataclass(frozen=True, slots=True)
class RecentCo2:
    """Known CO2 between two moments, as running medians: a single high reading is no spell."""

    time_s: Array
    value: Array
    low: Array
    gap_s: float


def recent_co2(series: Co2Series, start: datetime, end: datetime) -> RecentCo2 | None:
    """CO2 between two moments, both included; None where it is not known."""
    first = int(series.time_us.searchsorted(to_us(start)))
    here = slice(first, int(series.time_us.searchsorted(to_us(end), side="right")))
    value = series.value[here]
    known = ~np.isnan(value)
    if np.count_nonzero(known) < 2:
        return None
    time_s, low = series.time_us[here][known] / 1e6, series.low[here][known]
    return RecentCo2(time_s, smoothed(value[known]), smoothed(low), series.gap_s)


def co2_above(recent: RecentCo2 | None, ceiling_mg_l: float, release_mg_l: float) -> Co2High | None:
    """When CO2 lay above a ceiling, by day or night.

    Args:
        ceiling_mg_l: a spell begins when CO2 rises above it.
        release_mg_l: one that is going on ends when it is down at this.

    Returns:
        None where CO2 is not known; a ``Co2High`` of 0 minutes where it stayed below.
    """
    if recent is None:
        return None
    time_s, value = recent.time_s, recent.value
    top = int(value.argmax())
    below = Co2High(
        ceiling_mg_l=ceiling_mg_l,
        minutes=0.0,
        ongoing_min=0.0,
        peak_mg_l=float(value[top]),
        peak_low_mg_l=float(recent.low[top]),
        peak_at=from_us(round(time_s[top] * 1e6)),
        first_at=None,
        last_at=None,
    )
    if value[top] <= ceiling_mg_l:
        return below
    gap = gaps(steps(time_s), recent.gap_s)
    runs = runs_above(time_s, value, gap, on=ceiling_mg_l, off=release_mg_l)
    above = runs_above(time_s, value, gap, on=ceiling_mg_l, off=ceiling_mg_l)
    ongoing = not runs.end_known[-1] and runs.end_s[-1] >= time_s[-1]
    return replace(
        below,
        minutes=float((above.end_s - above.start_s).sum()) / 60,
        ongoing_min=float(runs.end_s[-1] - runs.start_s[-1]) / 60 if ongoing else 0.0,
        first_at=from_us(round(runs.start_s[0] * 1e6)),
        last_at=from_us(round(runs.end_s[-1] * 1e6)),
    )


def smoothed(value: Array) -> Array:
    """Running median over five values; fewer are left as they are."""
    return value if value.size < 5 else running_median_of_five(value)


def within_intervals(
    time_s: npt.NDArray[np.float64], intervals: Sequence[Interval]
) -> npt.NDArray[np.bool_]:
    """Whether each moment lies in one of the intervals, ends included."""
    inside = np.zeros(time_s.shape, np.bool_)
    for one in intervals:
        inside[samples_within(time_s, one.start_s, one.end_s)] = True
    return inside
