"""How much of the light met the CO2 it was meant for."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from numpy.typing import ArrayLike

from service.science.numeric.checks import Floats, as_number
from service.science.numeric.intervals import (
    IntArray,
    Interval,
    gaps,
    overlap_s,
    overlapping,
    runs_above,
    series,
    steps,
)

MAX_GAP_S = 1800.0
"""Longest step between two CO2 values that is still bridged by a straight line. Our choice:
gas that goes on or off moves CO2 by much of its range within an hour."""


@dataclass(frozen=True)
class LitShare:
    """Shares of the lit time (0-1, together 1) by what CO2 was; `lit_s` seconds of light.

    `unknown` is lit time without CO2 values. All are NaN if there was no light.
    """

    within: float
    below: float
    above: float
    unknown: float
    lit_s: float


def lit_shares_by_co2(
    time_s: ArrayLike,
    co2_mg_l: ArrayLike,
    days: Sequence[Sequence[Interval]],
    low_mg_l: float,
    high_mg_l: float,
    *,
    max_gap_s: float = MAX_GAP_S,
) -> list[LitShare]:
    """Divide the lit time of each day by CO2 below, within and above a target.

    Exact for CO2 that runs in straight lines between its values.

    Parameters
    ----------
    time_s: unix seconds (n,), sorted.  co2_mg_l: mg/L (n,); NaN values are skipped.
    days: of each the intervals that it was lit, from `dose.lit_intervals`.
    low_mg_l, high_mg_l: the target, low < high; values on a limit are within.
    max_gap_s: a longer step between values is unknown.

    Raises
    ------
    OutOfRangeError: time not sorted, lengths unequal, low not below high.
    """
    high = as_number("high_mg_l", high_mg_l, above=0, unit="mg/L")
    low = as_number("low_mg_l", low_mg_l, low=0, below=high, unit="mg/L")
    time, co2 = series("co2_mg_l", time_s, co2_mg_l)
    gap = gaps(steps(time), max_gap_s)
    known = _stretches(time, gap)
    above, below = _runs(time, co2, gap, high), _runs(time, -co2, gap, -low)
    return [_share(lit, known, above, below) for lit in days]


def _share(
    lit: Sequence[Interval],
    known: Sequence[Interval],
    above: Sequence[Interval],
    below: Sequence[Interval],
) -> LitShare:
    lit_s = sum(one.length_s for one in lit)
    if not lit_s:
        return LitShare(*(float("nan"),) * 4, 0.0)
    start, end = lit[0].start_s, lit[-1].end_s
    known_s, above_s, below_s = (
        overlap_s(lit, overlapping(found, start, end)) for found in (known, above, below)
    )
    return LitShare(
        within=(known_s - above_s - below_s) / lit_s,
        below=below_s / lit_s,
        above=above_s / lit_s,
        unknown=1 - known_s / lit_s,
        lit_s=lit_s,
    )


def _runs(time: Floats, value: Floats, gap: IntArray, level: float) -> list[Interval]:
    runs = runs_above(time, value, gap, on=level, off=level)
    return [
        Interval(start, end)
        for start, end in zip(runs.start_s.tolist(), runs.end_s.tolist(), strict=True)
    ]


def _stretches(time: Floats, gap: IntArray) -> list[Interval]:
    """Stretches without a gap."""
    if not time.size:
        return []
    first = [0, *(gap + 1).tolist()]
    last = [*gap.tolist(), time.size - 1]
    return [Interval(float(time[i]), float(time[j])) for i, j in zip(first, last, strict=True)]
