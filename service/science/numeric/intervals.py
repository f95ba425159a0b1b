"""Stretches of a time series: gaps, and the runs in which a value lies above a level."""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from service.science.numeric.checks import Floats, OutOfRangeError, as_number
from service.science.numeric.ranks import median
from service.science.numeric.sets import union

IntArray = NDArray[np.int64]

USUAL_GAPS: Final = 1.5
"""A step of up to so many usual ones is bridged: a slow sensor may be late. Our choice."""

SLOWEST_S: Final = 3600.0
"""A sensor that reads less often shows no daily course: an edge is uncertain by a step. Our
choice."""


@dataclass(frozen=True)
class Interval:
    """From `start_s` to `end_s` (unix seconds, UTC).

    `start_known` or `end_known` is False where the data begin, end or break off there,
    so that the true edge lies further out.
    """

    start_s: float
    end_s: float
    start_known: bool = True
    end_known: bool = True

    @property
    def length_s(self) -> float:
        """Length in seconds, as far as the data show."""
        return self.end_s - self.start_s


class Runs(NamedTuple):
    """Runs above a level, one element per run; indices into the series given."""

    first: IntArray  # first sample above the level
    last: IntArray  # last sample above the level
    start_s: Floats
    end_s: Floats
    start_known: NDArray[np.bool_]
    end_known: NDArray[np.bool_]

    def where(self, wanted: NDArray[np.bool_]) -> Runs:
        """Only the runs for which `wanted` is True."""
        return Runs(
            self.first[wanted],
            self.last[wanted],
            self.start_s[wanted],
            self.end_s[wanted],
            self.start_known[wanted],
            self.end_known[wanted],
        )


def series(name: str, time_s: ArrayLike, value: ArrayLike) -> tuple[Floats, Floats]:
    """Return time and value as equally long float64 arrays, samples with NaN left out.

    Raises OutOfRangeError if they are not one-dimensional and of one length, or if `time_s`
    is not sorted.
    """
    time = np.asarray(time_s, dtype=np.float64)
    array = np.asarray(value, dtype=np.float64)
    if time.ndim != 1 or array.shape != time.shape:
        allowed = f"values in one dimension, as many as in time_s, {time.shape}"
        raise OutOfRangeError(f"shape of {name}", array.shape, allowed)
    # One pass tells whether any NaN or infinity is there: a sum carries it through.
    if not np.isfinite(array.sum()):
        keep = ~np.isnan(array)
        time, array = time[keep], array[keep]
        if np.isinf(array).any():
            raise OutOfRangeError(name, float(array[np.isinf(array)][0]), "finite numbers or NaN")
    return time, array


def steps(time_s: Floats) -> Floats:
    """Return the seconds between consecutive samples; OutOfRangeError if time runs backwards."""
    step = np.diff(time_s)
    if step.size and not step.min() >= 0:
        at = int(np.flatnonzero(~(step >= 0))[0]) + 1
        before = float(time_s[at - 1])
        allowed = f"sorted times, oldest first; this one, at {at}, follows {before!r}"
        raise OutOfRangeError("time_s", float(time_s[at]), allowed)
    return step


def gaps(step_s: Floats, max_gap_s: float) -> IntArray:
    """Return the positions i for which no sample lies within `max_gap_s` after sample i.

    `step_s` is what `steps` returned. OutOfRangeError if `max_gap_s` is not positive.
    """
    return np.flatnonzero(step_s > as_number("max_gap_s", max_gap_s, above=0))


def usual_step_s(time_s: Floats) -> float:
    """Median of the seconds between samples; 0 with fewer than two."""
    step = steps(time_s)
    return median(step) if step.size else 0.0


def bridged_gap_s(usual_step_s: float, least_s: float) -> float:
    """Longest step between samples that is still bridged, by how often the sensor reads.

    `least_s`, or `USUAL_GAPS` of the usual step of a slow sensor that reads at least each
    `SLOWEST_S`.
    """
    return max(least_s, USUAL_GAPS * usual_step_s) if usual_step_s <= SLOWEST_S else least_s


def gap_intervals(time_s: Floats, gap: IntArray) -> tuple[Interval, ...]:
    """Return the gaps after the positions `gap` as intervals."""
    return tuple(Interval(float(time_s[i]), float(time_s[i + 1])) for i in gap)


def samples_within(time_s: Floats, start_s: float, end_s: float) -> slice:
    """The samples from `start_s` to `end_s`, both included; `time_s` is sorted."""
    return slice(int(time_s.searchsorted(start_s)), int(time_s.searchsorted(end_s, side="right")))


def runs_above(time_s: Floats, value: Floats, gap: IntArray, *, on: float, off: float) -> Runs:
    """Find the runs that begin when `value` exceeds `on` and end once it is down at `off`.

    The edges are where straight lines between the samples cross `on`: with `off` below `on`
    (hysteresis) a run ends at the last such crossing before the value reached `off`.

    Parameters
    ----------
    time_s, value: the series (n,), no NaN.
    gap: positions from `gaps`; a gap ends a run, its end then is the last sample before.
    on, off: levels, off <= on.
    """
    decided, high = _decided(value, gap, on, off)
    if not high.any():
        none, edge, flag = np.empty(0, np.int64), np.empty(0), np.empty(0, np.bool_)
        return Runs(none, none, edge, edge, flag, flag)

    cut = np.flatnonzero(high[1:] != high[:-1]) + 1
    if gap.size:
        after_gap = np.searchsorted(decided, gap, side="right")
        cut = union(cut, after_gap[(after_gap > 0) & (after_gap < decided.size)])
    bounds = np.concatenate(([0], cut, [decided.size]))
    is_run = high[bounds[:-1]]
    start, stop = bounds[:-1][is_run], bounds[1:][is_run]
    first, last = decided[start], decided[stop - 1]

    start_known, end_known = first > 0, stop < decided.size
    final = np.full(last.shape, value.size - 1)
    if gap.size:
        ends_at = np.append(gap, value.size - 1)  # last sample of each unbroken stretch
        final = ends_at[np.searchsorted(ends_at, last)]
        end_known &= decided[np.minimum(stop, decided.size - 1)] <= final
        start_known &= ends_at[np.searchsorted(ends_at, first - 1)] != first - 1
    start_s, end_s = time_s[first], time_s[final]
    rising, falling = first[start_known], last[end_known]
    start_s[start_known] = _crossing(time_s, value, rising - 1, rising, on)
    end_s[end_known] = _crossing(time_s, value, falling, falling + 1, on)
    return Runs(first, last, start_s, end_s, start_known, end_known)


def _decided(
    value: Floats, gap: IntArray, on: float, off: float
) -> tuple[IntArray, NDArray[np.bool_]]:
    """Return positions of samples that settle the state, and whether it is high at each.

    Only those next to a change or a gap are kept: what follows then works on few elements.
    """
    if not value.size:
        return np.empty(0, np.int64), np.empty(0, np.bool_)
    code = (value > on).view(np.int8)  # 1 above on, -1 at or below off, 0 between
    low = (value <= off).view(np.int8)
    code -= low
    change = code[1:] != code[:-1]
    near = np.ones(value.size, np.bool_)  # the ends stay in
    near[1:-1] = change[1:] | change[:-1]
    near[gap] = near[gap + 1] = True
    keep = np.flatnonzero(near)
    keep = keep[code[keep] != 0]
    return keep, code[keep] > 0


def _crossing(time_s: Floats, value: Floats, i: IntArray, j: IntArray, level: float) -> Floats:
    """Time at which the straight line from sample i to j, on either side of `level`, passes it."""
    low, begin = value[i], time_s[i]
    crossing: Floats = begin + (level - low) / (value[j] - low) * (time_s[j] - begin)
    return crossing


def overlapping(found: Sequence[Interval], start_s: float, end_s: float) -> Sequence[Interval]:
    """Those that overlap `start_s` to `end_s`; they are sorted and do not overlap each other."""
    first = bisect_right(found, start_s, key=lambda one: one.end_s)
    return found[first : bisect_left(found, end_s, key=lambda one: one.start_s)]


def overlap_s(one: Sequence[Interval], other: Sequence[Interval]) -> float:
    """Seconds that lie in both lists; the intervals of each are sorted and do not overlap."""
    total, i, j = 0.0, 0, 0
    while i < len(one) and j < len(other):
        a, b = one[i], other[j]
        total += max(min(a.end_s, b.end_s) - max(a.start_s, b.start_s), 0.0)
        if a.end_s < b.end_s:
            i += 1
        else:
            j += 1
    return total
