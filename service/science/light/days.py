"""Light day by day: the photoperiod found in the series, and what is wrong with it.

Nothing needs to be known of the lamp: dark and bright levels come from the readings.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Final

import numpy as np
from numpy.typing import ArrayLike

from service.science.constants import SECONDS_PER_HOUR
from service.science.light.dose import (
    MAX_GAP_S,
    OFF_LUX,
    ON_LUX,
    LightDose,
    joined,
    lux_hours,
    photoperiod_hours,
)
from service.science.light.levels import Thresholds, thresholds_from_series
from service.science.numeric.checks import Floats, OutOfRangeError, as_floats, as_number
from service.science.numeric.intervals import (
    Interval,
    bridged_gap_s,
    gaps,
    overlapping,
    runs_above,
    samples_within,
    series,
    steps,
)
from service.science.numeric.ranks import median

FLICKER_S: Final = 300.0
"""Dark breaks up to 5 minutes count as flicker and are bridged. Our choice."""

FLASH_S: Final = 300.0
"""Light for less than 5 minutes is a flash (a torch, a room light), not a photoperiod."""


@dataclass(frozen=True)
class DayOfLight:
    """Light between `start_s` and `end_s`, normally from one local midnight to the next.

    hours: of light that was seen; NaN if nothing of the day was.
    hours_low, hours_high: between which the photoperiod lies: each edge is uncertain by a step
        between samples, and in what was not seen it may have been lit.
    on_s, off_s: first on and last off, None if unseen.
    bright_lux: median while lit; NaN if dark.  dose: lx·h with its gaps.
    rise_s, fall_s: time from on to 90 % of bright, and from 90 % to off.
    breaks: dark breaks between lit intervals.  flickers: shorter ones, bridged.
    cover: share of the day that readings cover.
    """

    start_s: float
    end_s: float
    lit: tuple[Interval, ...]
    hours: float
    hours_low: float
    hours_high: float
    bright_lux: float
    dose: LightDose
    rise_s: float
    fall_s: float
    breaks: int
    flickers: int
    cover: float

    @property
    def on_s(self) -> float | None:
        """When the light first came on; None if it was dark or on from before."""
        return self.lit[0].start_s if self.lit and self.lit[0].start_known else None

    @property
    def off_s(self) -> float | None:
        """When the light last went off; None if it was dark or still on at the end."""
        return self.lit[-1].end_s if self.lit and self.lit[-1].end_known else None


def days_of_light(
    time_s: ArrayLike,
    lux: ArrayLike,
    day_edges_s: ArrayLike,
    *,
    thresholds: Thresholds | None = None,
    flicker_s: float = FLICKER_S,
    max_gap_s: float | None = None,
) -> list[DayOfLight]:
    """Describe the light of each day.

    Parameters
    ----------
    time_s: unix seconds (n,), sorted.  lux: illuminance (n,), >= 0; NaN samples are skipped.
    day_edges_s: unix seconds (m + 1,), ascending: local midnights.
    thresholds: on and off levels; None finds them in the whole series given.
    flicker_s: longest dark break that is bridged.
    max_gap_s: a longer step between samples is not seen; None: by how often the sensor reads.

    Returns
    -------
    One DayOfLight per day.

    Raises
    ------
    OutOfRangeError: time or edges not ascending, lengths unequal, negative illuminance.
    """
    time, level = series("lux", time_s, lux)
    step = steps(time)
    edges = as_floats("day_edges_s", day_edges_s)
    if edges.ndim != 1 or edges.size < 2 or not (np.diff(edges) > 0).all():
        raise OutOfRangeError("day_edges_s", edges.tolist(), "two or more times, ascending")
    if max_gap_s is None:
        max_gap_s = bridged_gap_s(median(step) if step.size else 0.0, MAX_GAP_S)
    levels = thresholds or thresholds_from_series(level) or Thresholds(ON_LUX, OFF_LUX)
    gap = gaps(step, max_gap_s)
    runs = runs_above(time, level, gap, on=levels.on_lux, off=levels.off_lux)
    raw = joined(runs, 0.0, 0.0)
    lit = joined(runs, FLASH_S, as_number("flicker_s", flicker_s, low=0, unit="s"))
    return [
        _day(
            time,
            level,
            overlapping(raw, start, end),
            overlapping(lit, start, end),
            start,
            end,
            max_gap_s,
        )
        for start, end in pairwise(edges.tolist())
    ]


def _day(
    time: Floats,
    level: Floats,
    raw: Sequence[Interval],
    lit: Sequence[Interval],
    start: float,
    end: float,
    max_gap_s: float,
) -> DayOfLight:
    # One sample beyond each edge keeps the steps that cross midnight.
    first, stop = np.searchsorted(time, (start, end)).tolist()
    here = slice(max(first - 1, 0), stop + 1)
    moment, there = time[here], level[here]
    today = tuple(clipped(one, start, end) for one in lit)
    shone = [there[samples_within(moment, one.start_s, one.end_s)] for one in today]
    while_lit = np.concatenate(shone) if shone else there[:0]
    bright = median(while_lit) if while_lit.size else np.nan
    dose = _clipped_dose(moment, there, start, end, max_gap_s)
    hours = photoperiod_hours(today) if dose.covered_s > 0 else np.nan
    seen_h = 0.0 if np.isnan(hours) else hours
    unseen_h = (end - start - dose.covered_s) / SECONDS_PER_HOUR
    edge_h = _edges_h(time, today)
    pieces = sum(len(overlapping(raw, one.start_s, one.end_s)) for one in today)
    rise, fall = _ramps(moment, there, today, 0.9 * bright)
    return DayOfLight(
        start_s=start,
        end_s=end,
        lit=today,
        hours=hours,
        hours_low=max(seen_h - edge_h, 0.0),
        hours_high=seen_h + edge_h + unseen_h,
        bright_lux=bright,
        dose=dose,
        rise_s=rise,
        fall_s=fall,
        breaks=max(len(today) - 1, 0),
        flickers=pieces - len(today),
        cover=dose.covered_s / (end - start),
    )


def _edges_h(time: Floats, lit: Sequence[Interval]) -> float:
    """Hours by which the seen edges of lit intervals are uncertain: the steps that hold them."""
    edges = [one.start_s for one in lit if one.start_known]
    edges += [one.end_s for one in lit if one.end_known]
    if not edges:
        return 0.0
    after = np.minimum(np.maximum(np.searchsorted(time, edges), 1), time.size - 1)
    return float((time[after] - time[after - 1]).sum()) / SECONDS_PER_HOUR


def clipped(one: Interval, start: float, end: float) -> Interval:
    """The part within start..end; an edge that was cut is marked unknown."""
    return Interval(
        max(one.start_s, start),
        min(one.end_s, end),
        one.start_known and one.start_s >= start,
        one.end_known and one.end_s <= end,
    )


def _clipped_dose(
    time: Floats, level: Floats, start: float, end: float, max_gap_s: float
) -> LightDose:
    """Dose from `start` to `end`, the samples beyond interpolated to the edges."""
    if time.size < 2:
        return LightDose(0.0, 0.0)
    kept = samples_within(time, start, end)
    begin, finish = (_at_edge(time, level, edge, max_gap_s) for edge in (start, end))
    return lux_hours(
        np.concatenate((begin[0], time[kept], finish[0])),
        np.concatenate((begin[1], level[kept], finish[1])),
        max_gap_s,
    )


def _at_edge(time: Floats, level: Floats, edge: float, max_gap_s: float) -> tuple[Floats, Floats]:
    """An edge and its level as one sample; none where it lies in a gap or outside the series."""
    after = int(time.searchsorted(edge))
    if not time[0] < edge < time[-1] or time[after] - time[after - 1] > max_gap_s:
        return time[:0], level[:0]
    return np.array([edge]), np.interp([edge], time, level)


def _ramps(
    time: Floats, level: Floats, lit: Sequence[Interval], full_lux: float
) -> tuple[float, float]:
    """Seconds from first on to first full light, and from last full light to last off."""
    if not lit:
        return np.nan, np.nan
    here = samples_within(time, lit[0].start_s, lit[-1].end_s)
    full = time[here][level[here] >= full_lux]
    if not full.size:
        return np.nan, np.nan
    rise = float(full[0]) - lit[0].start_s if lit[0].start_known else np.nan
    fall = lit[-1].end_s - float(full[-1]) if lit[-1].end_known else np.nan
    return rise, fall
