"""One level of a row of nights or days: where it last changed, and its mean since then."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from math import hypot, inf, sqrt
from statistics import median
from typing import Final

import numpy as np

from service.science.numeric.change_points import PENALTY, change_points
from service.science.numeric.checks import Floats
from service.science.numeric.estimate import Z95, students_t_975

USUAL_LOG_SD: Final = 0.03
"""How much exchange and injection differ from day to day in a tank where nothing was changed. Our
choice; what is seen takes over with the days."""
LEVEL_LOG_SD_RANGE: Final = (0.05, 0.15)
"""Differences between neighbours, as far as they are seen to be usual in the tank, are no change;
within these limits. Our choice."""
USUAL_DAYS: Final = 2.0
"""Days that the usual difference counts for."""
HINT_PENALTY: Final = 4.0
"""Penalty of a change where the log has one: 2 standard deviations."""
ODD_SD: Final = 4.0
ODD_LN: Final = 0.25
"""A newest value so far off in both is perhaps a change that has just come."""


@dataclass(frozen=True)
class Segment:
    """The newest stretch at one level.

    ``first`` index in the row; ``mean`` of the logarithms since; ``sd`` of that mean, stretched for
    few values so that 1.96 of it is a 95 % interval; ``weight`` of each value; ``before`` mean of
    the stretch before, None without one; ``odd`` whether the newest value is too far off to belong
    to it.
    """

    first: int
    mean: float
    sd: float
    weight: Floats
    before: float | None
    odd: bool


def newest_segment(
    value: Floats, sd: Floats, time_s: Floats, hints_s: Sequence[float] = ()
) -> Segment:
    """The newest stretch of logarithms at one level.

    Parameters
    ----------
    value, sd: (n,), n at least 1, oldest first.
    time_s: when each began, unix seconds.
    hints_s: when the log has something that may have changed it.
    """
    # in plain numbers: there are some ten of them, and a numpy call costs as much as thirty
    level, own, began = value.tolist(), sd.tolist(), time_s.tolist()
    usual = _usual(level, own)
    spread = [hypot(one, usual) for one in own]
    penalty = [
        HINT_PENALTY if any(earlier < hint <= later for hint in hints_s) else PENALTY
        for earlier, later in zip([-inf, *began[:-1]], began, strict=True)
    ]
    cuts = change_points(level, spread, penalty=penalty)
    first = cuts[-1] if cuts else 0
    mean, mean_sd, weight = _mean(level[first:], own[first:])
    before = None
    if cuts:
        earlier = cuts[-2] if len(cuts) > 1 else 0
        before = _mean(level[earlier:first], own[earlier:first])[0]
    odd = False
    if len(level) - first > 1:
        others, others_sd, _ = _mean(level[first:-1], own[first:-1])
        apart = abs(level[-1] - others)
        odd = apart > ODD_LN and apart > ODD_SD * hypot(spread[-1], others_sd)
    return Segment(first, mean, mean_sd, np.array(weight), before, odd)


def _usual(value: Sequence[float], sd: Sequence[float]) -> float:
    """How much neighbours differ beyond their errors: their median, which a change leaves alone."""
    least, most = LEVEL_LOG_SD_RANGE
    if len(value) < 4:
        return least
    apart = median(abs(later - one) for one, later in pairwise(value)) / (0.6745 * 2.0**0.5)
    return min(max(sqrt(max(apart**2 - median(sd) ** 2, 0.0)), least), most)


def _mean(value: Sequence[float], sd: Sequence[float]) -> tuple[float, float, list[float]]:
    """Robust mean, its standard deviation, and the weights (sum 1).

    The variance between values is what they show beyond their own, together with the usual one as
    if that had been seen on some days before (DerSimonian & Laird 1986, Control. Clin. Trials
    7:177-188, for the former; from memory).
    """
    n = len(value)
    own = [one**2 for one in sd]
    between = USUAL_LOG_SD**2
    weight = [1.0 / (variance + between) for variance in own]
    mean = median(value) if n > 2 else _weighted_mean(value, weight)
    for _ in range(8):
        robust = [
            min(1.0, 2.0 / max(abs(one - mean) / (variance + between) ** 0.5, 1e-9))
            for one, variance in zip(value, own, strict=True)
        ]
        weight = [r / (variance + between) for r, variance in zip(robust, own, strict=True)]
        mean = _weighted_mean(value, weight)
        seen = 0.0
        if n > 1:
            seen = sum(
                r * ((one - mean) ** 2 - variance)
                for r, one, variance in zip(robust, value, own, strict=True)
            )
        between = (USUAL_DAYS * USUAL_LOG_SD**2 + max(seen, 0.0)) / (USUAL_DAYS + n - 1.0)
    stretch = students_t_975(int(USUAL_DAYS) + n - 1) / Z95
    whole = sum(weight)
    return mean, stretch * whole**-0.5, [one / whole for one in weight]


def _weighted_mean(value: Sequence[float], weight: Sequence[float]) -> float:
    return sum(v * w for v, w in zip(value, weight, strict=True)) / sum(weight)
