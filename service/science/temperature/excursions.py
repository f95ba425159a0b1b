"""Heat: when the water left its range, by how much and for how long; how fast it changes.

Between samples temperature is taken to run in straight lines; everything here is exact
for such a series.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike

from service.science.constants import SECONDS_PER_HOUR
from service.science.numeric.checks import Floats, OutOfRangeError, as_number
from service.science.numeric.intervals import IntArray, Runs, gaps, runs_above, series, steps
from service.science.numeric.sets import among
from service.science.temperature.rate import rate_c_per_h

__all__ = [
    "MAX_GAP_S",
    "Excursion",
    "Side",
    "degree_hours",
    "excess_between",
    "excursions",
    "rate_c_per_h",
]

Side = Literal["above", "below"]

MAX_GAP_S = 7200.0
"""Longest step between two temperature samples that is still bridged by a straight line.
Two hours: a tank of 100 L or more changes by tenths of a kelvin in that time. Our choice."""


@dataclass(frozen=True)
class Excursion:
    """An interval in which temperature lay outside a limit.

    start_s, end_s: unix seconds, where straight lines between samples cross the limit.
    side: "above" or "below" the limit `limit_c`.
    peak_c: the temperature furthest outside, reached at `peak_s`.
    degree_hours: integral of the distance outside the limit, K·h.
    end_known: False if the data end or break off first, so that it may last longer.
    start_known: False if the data begin, or resume after a gap, already outside.
    """

    start_s: float
    end_s: float
    side: Side
    limit_c: float
    peak_c: float
    degree_hours: float
    end_known: bool
    start_known: bool = True
    peak_s: float | None = None

    @property
    def length_s(self) -> float:
        """Length in seconds, as far as the data show."""
        return self.end_s - self.start_s


def excursions(
    time_s: ArrayLike,
    temperature_c: ArrayLike,
    low_c: float | None,
    high_c: float | None,
    *,
    hysteresis_c: float = 0.0,
    min_length_s: float = 0.0,
    max_gap_s: float = MAX_GAP_S,
) -> list[Excursion]:
    """Find every interval in which temperature lay below `low_c` or above `high_c`.

    An excursion begins where the straight line between samples crosses the limit. It is over
    once a sample is back inside by `hysteresis_c` or more; it then ended at the last crossing
    of the limit before. A temperature equal to the limit is inside.

    Parameters
    ----------
    time_s: unix seconds (n,), sorted.  temperature_c: °C (n,); NaN samples are skipped.
    low_c, high_c: limits in °C, low_c <= high_c; None leaves that side open.
    hysteresis_c: K, >= 0; keeps a temperature that dithers at the limit in one piece.
    min_length_s: excursions seen to last less are left out.
    max_gap_s: a longer step between samples ends an excursion at the last sample before it,
        with `end_known` False.

    Returns
    -------
    Excursions, oldest first. An excursion still going on at the last sample is included,
    with `end_known` False and `end_s` the time of that sample.

    Raises
    ------
    OutOfRangeError: time not sorted, lengths unequal, low_c > high_c, a negative setting.
    """
    band = as_number("hysteresis_c", hysteresis_c, low=0)
    shortest = as_number("min_length_s", min_length_s, low=0)
    high = None if high_c is None else as_number("high_c", high_c)
    ceiling = np.inf if high is None else high
    low = None if low_c is None else as_number("low_c", low_c, high=ceiling)
    time, temperature = series("temperature_c", time_s, temperature_c)
    step = steps(time)
    gap = gaps(step, max_gap_s)
    step[gap] = 0.0
    found: list[Excursion] = []
    # A look at the extremes spares most series the search.
    if high is not None and temperature.size and temperature.max() > high:
        runs = runs_above(time, temperature, gap, on=high, off=high - band)
        runs = runs.where(runs.end_s - runs.start_s >= shortest)
        found += _described(time, temperature, step, runs, high, "above")
    if low is not None and temperature.size and temperature.min() < low:
        mirrored = -temperature
        runs = runs_above(time, mirrored, gap, on=-low, off=-low - band)
        runs = runs.where(runs.end_s - runs.start_s >= shortest)
        found += _described(time, mirrored, step, runs, low, "below")
    return sorted(found, key=lambda one: one.start_s)


def _described(
    time: Floats, value: Floats, step: Floats, runs: Runs, limit_c: float, side: Side
) -> list[Excursion]:
    """Measure each run; `value` is temperature, mirrored at zero for the side "below"."""
    if not runs.first.size:
        return []
    sign = 1.0 if side == "above" else -1.0
    outside = np.flatnonzero(value > sign * limit_c)
    excess = value[outside] - sign * limit_c
    begin = np.searchsorted(outside, runs.first)
    finish = np.searchsorted(outside, runs.last, side="right")
    area = _sums(_share_of_area(value, step, outside, excess, sign * limit_c), begin, finish)
    peak = [
        first + int(excess[first:last].argmax())
        for first, last in zip(begin.tolist(), finish.tolist(), strict=True)
    ]
    columns = (
        runs.start_s,
        runs.end_s,
        value[outside[peak]] * sign,
        area / SECONDS_PER_HOUR,
        time[outside[peak]],
        runs.start_known,
        runs.end_known,
    )
    return [
        Excursion(start, end, side, limit_c, peak_c, kh, end_known, start_known, peak_s)
        for start, end, peak_c, kh, peak_s, start_known, end_known in zip(
            *(column.tolist() for column in columns), strict=True
        )
    ]


def _share_of_area(
    value: Floats, step: Floats, outside: IntArray, excess: Floats, limit: float
) -> Floats:
    """Share of each sample outside in the area beyond the limit (K·s), by trapezoids.

    It is half its excess times the width, left and right, over which the line stays outside:
    the whole step to a neighbour that is outside too, else up to the crossing.
    """
    if not step.size:
        return np.zeros(excess.shape)
    left = step.take(outside - 1, mode="clip")
    right = step.take(outside, mode="clip")
    left[outside == 0] = 0.0
    right[outside == value.size - 1] = 0.0
    alone = np.diff(outside) > 1
    for width, edge, neighbour in (
        (left, np.flatnonzero(np.concatenate(([True], alone))), -1),
        (right, np.flatnonzero(np.concatenate((alone, [True]))), 1),
    ):
        inside = np.clip(outside[edge] + neighbour, 0, value.size - 1)
        # At the end of the data the width is zero already, and `inside` the sample itself.
        fall = np.maximum(excess[edge], excess[edge] - (value[inside] - limit))
        width[edge] *= excess[edge] / fall
    left += right
    left *= excess
    left *= 0.5
    return left


def _sums(value: Floats, begin: IntArray, finish: IntArray) -> Floats:
    """Sum of value[begin:finish] for each pair; pairs are not empty and do not overlap."""
    bounds = np.column_stack((begin, finish)).ravel()
    return np.asarray(np.add.reduceat(np.append(value, 0.0), bounds)[::2])


def degree_hours(
    time_s: ArrayLike,
    temperature_c: ArrayLike,
    limit_c: float,
    side: Side,
    max_gap_s: float = MAX_GAP_S,
) -> float:
    """Integrate the distance of temperature beyond a limit over the whole series, in K·h.

    Parameters
    ----------
    time_s: unix seconds (n,), sorted.  temperature_c: °C (n,); NaN samples are skipped.
    limit_c: limit in °C.  side: "above" or "below".
    max_gap_s: a longer step between samples counts nothing.

    Raises
    ------
    OutOfRangeError: time not sorted, lengths unequal, unknown side.
    """
    if side not in ("above", "below"):
        raise OutOfRangeError("side", side, "above or below")
    time, temperature = series("temperature_c", time_s, temperature_c)
    gap = gaps(steps(time), max_gap_s)
    limit = as_number("limit_c", limit_c)
    excess = temperature - limit if side == "above" else limit - temperature
    return float(_areas(time, excess, gap).sum()) / SECONDS_PER_HOUR


def excess_between(
    time_s: ArrayLike,
    temperature_c: ArrayLike,
    base_c: float,
    spans_s: ArrayLike,
    max_gap_s: float = MAX_GAP_S,
) -> Floats:
    """Degree-hours above `base_c` in each of some spans of time, in K·h (m,).

    What lies before the first sample, after the last or in a gap counts nothing. A span's value
    hangs on the samples in and next to it alone, to the last digit.

    Parameters
    ----------
    spans_s: start and end of each, unix seconds, (m, 2).

    Others, and errors, as in `degree_hours`.
    """
    time, temperature = series("temperature_c", time_s, temperature_c)
    gap = gaps(steps(time), max_gap_s)
    excess = temperature - as_number("base_c", base_c)
    edges = np.asarray(spans_s, dtype=np.float64).ravel()
    if time.size < 2 or not edges.size:
        return np.zeros(edges.size // 2)
    areas = _areas(time, excess, gap)
    moment = np.minimum(np.maximum(edges, time[0]), time[-1])
    i = np.minimum(np.searchsorted(time, moment, side="right") - 1, time.size - 2)
    step = time[i + 1] - time[i]
    part = np.divide(moment - time[i], step, out=np.zeros(moment.shape), where=step > 0)
    there = excess[i] + part * (excess[i + 1] - excess[i])
    piece = _positive_area(excess[i], there, moment - time[i])
    piece[among(i, gap)] = 0.0
    whole = np.array([areas[first:last].sum() for first, last in i.reshape(-1, 2).tolist()])
    return np.asarray((whole - piece[::2] + piece[1::2]) / SECONDS_PER_HOUR)


def _positive_area(start: Floats, end: Floats, step: Floats) -> Floats:
    """Area above zero under straight lines from `start` to `end` over `step`, elementwise."""
    above = np.maximum(start, 0.0)
    above += np.maximum(end, 0.0)
    area: Floats = 0.5 * above * step
    crosses = np.flatnonzero((start > 0) != (end > 0))
    # One end is not above zero there: only the triangle on the other side counts.
    area[crosses] *= above[crosses] / np.abs(end[crosses] - start[crosses])
    return area


def _areas(time: Floats, excess: Floats, gap: IntArray) -> Floats:
    """Area above zero of each step between samples, gaps counting nothing, in K·s (n - 1,)."""
    area = _positive_area(excess[:-1], excess[1:], np.diff(time))
    area[gap] = 0.0
    return area
