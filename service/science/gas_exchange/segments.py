"""One level of a row of nights or days: where it last changed, and its mean since then."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
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
    spread = np.hypot(sd, _usual(value, sd))
    hinted = np.array(
        [
            any(earlier < hint <= later for hint in hints_s)
            for earlier, later in zip(np.concatenate([[-np.inf], time_s[:-1]]), time_s, strict=True)
        ]
    )
    cuts = change_points(value, spread, penalty=np.where(hinted, HINT_PENALTY, PENALTY).tolist())
    first = cuts[-1] if cuts else 0
    mean, mean_sd, weight = _mean(value[first:], sd[first:])
    before = None
    if cuts:
        earlier = cuts[-2] if len(cuts) > 1 else 0
        before = _mean(value[earlier:first], sd[earlier:first])[0]
    odd = False
    if value.size - first > 1:
        others, others_sd, _ = _mean(value[first:-1], sd[first:-1])
        apart = abs(float(value[-1]) - others)
        odd = apart > ODD_LN and apart > ODD_SD * float(np.hypot(spread[-1], others_sd))
    return Segment(first, mean, mean_sd, weight, before, odd)


def _usual(value: Floats, sd: Floats) -> float:
    """How much neighbours differ beyond their errors: their median, which a change leaves alone."""
    least, most = LEVEL_LOG_SD_RANGE
    if value.size < 4:
        return least
    apart = float(np.median(np.abs(np.diff(value)))) / (0.6745 * 2.0**0.5)
    return float(np.clip(max(apart**2 - float(np.median(sd)) ** 2, 0.0) ** 0.5, least, most))


def _mean(value: Floats, sd: Floats) -> tuple[float, float, Floats]:
    """Robust mean, its standard deviation, and the weights (sum 1).

    The variance between values is what they show beyond their own, together with the usual one as
    if that had been seen on some days before (DerSimonian & Laird 1986, Control. Clin. Trials
    7:177-188, for the former; from memory).
    """
    n = value.size
    own = np.square(sd)
    between = USUAL_LOG_SD**2
    weight = 1.0 / (own + between)
    mean = float(np.median(value)) if n > 2 else float(np.average(value, weights=weight))
    for _ in range(8):
        distance = np.abs(value - mean) / np.sqrt(own + between)
        robust = np.minimum(1.0, 2.0 / np.maximum(distance, 1e-9))
        weight = robust / (own + between)
        mean = float(np.average(value, weights=weight))
        seen = float(np.sum(robust * (np.square(value - mean) - own))) if n > 1 else 0.0
        between = (USUAL_DAYS * USUAL_LOG_SD**2 + max(seen, 0.0)) / (USUAL_DAYS + n - 1.0)
    stretch = students_t_975(int(USUAL_DAYS) + n - 1) / Z95
    return mean, stretch * float(weight.sum()) ** -0.5, weight / weight.sum()
