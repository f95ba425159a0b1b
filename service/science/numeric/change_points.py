"""Where a short series of estimates changes its level for good.

Optimal partitioning (Jackson et al. 2005, IEEE Signal Process. Lett. 12:105-108): of all ways to
cut the series the one of least total loss plus a penalty for each cut, by dynamic programming. The
loss of a value grows with the square of its distance from its segment's level up to a cap
(biweight; Fearnhead & Rigaill 2019, J. Am. Stat. Assoc. 114:169-183), so that one bad value is no
change. Both from memory.
"""

from __future__ import annotations

from collections.abc import Sequence
from math import inf
from statistics import median
from typing import Final

import numpy as np
from numpy.typing import ArrayLike

from service.science.numeric.checks import OutOfRangeError, as_floats

PENALTY: Final = 12.0
"""Of a cut, in squares of standard deviations: 3.5 of them. Our choice, above the 2 ln n of Schwarz
1978 (4.6 for ten values), since errors of a model are no white noise."""
LOSS_CAP: Final = 9.0
"""A value is no further off than 3 standard deviations, however far it is."""


def change_points(
    value: ArrayLike,
    sd: ArrayLike,
    *,
    penalty: float | Sequence[float] = PENALTY,
    loss_cap: float = LOSS_CAP,
) -> list[int]:
    """Indices at which a new level begins, ascending; [] where one level explains all.

    Parameters
    ----------
    value: (n,), in their order.
    sd: standard deviation of each, > 0, (n,) or one number.
    penalty: of a cut; a sequence (n,) has that of a cut before each value, lower where one is
        expected.
    loss_cap: most that one value adds.

    Raises
    ------
    OutOfRangeError: shapes that differ.
    """
    values = as_floats("value", value)
    spread = np.broadcast_to(as_floats("sd", sd, above=0.0), values.shape)
    if values.ndim != 1:
        raise OutOfRangeError("value", values.shape, "one dimension")
    penalties = np.broadcast_to(as_floats("penalty", penalty, low=0.0), values.shape)
    count = values.size
    level = values.tolist()
    weight = (1.0 / np.square(spread)).tolist()
    of_cut = penalties.tolist()
    if count < 2 or _loss(level, weight, loss_cap) <= min(of_cut):
        return []
    best = [-of_cut[0]] + [inf] * count
    began = [0] * (count + 1)
    for end in range(1, count + 1):
        for start in range(end):
            loss = _loss(level[start:end], weight[start:end], loss_cap)
            total = best[start] + of_cut[start] + loss
            if total < best[end] - 1e-12:
                best[end], began[end] = total, start
    cuts, end = [], count
    while began[end] > 0:
        end = began[end]
        cuts.append(end)
    return cuts[::-1]


def _loss(value: Sequence[float], weight: Sequence[float], cap: float) -> float:
    """Least capped loss of a segment: its level is one of its values' weighted mean or median."""
    # in plain numbers: a segment has a handful of them, and a numpy call costs as much as thirty
    middle = median(value)
    near = [(v, w) for v, w in zip(value, weight, strict=True) if (v - middle) ** 2 * w < cap]
    level = sum(v * w for v, w in near) / sum(w for _, w in near) if near else middle
    return sum(min((v - level) ** 2 * w, cap) for v, w in zip(value, weight, strict=True))
