"""Medians and quantiles of the short series that a tank's days have.

``numpy.median`` and ``numpy.quantile`` give the same to the last digit and take any shape; most of
their time goes into that (five times as long at a hundred values). They also import masked arrays,
3 MB of a process's memory, so ``ruff`` refuses them in what runs for months.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from service.science.numeric.checks import Floats


def median(values: Floats) -> float:
    """The middle value of (n,), n at least 1, or the mean of the two; NaN where one is NaN."""
    ordered = np.sort(values)
    if np.isnan(ordered[-1]):  # they are sorted to the end
        return float("nan")
    return float(0.5 * (ordered[(values.size - 1) // 2] + ordered[values.size // 2]))


def median_seen(values: Floats, axis: int) -> Floats:
    """Medians along an axis of what is not NaN, at least one value of each."""
    ordered = np.sort(values, axis=axis)  # NaN comes last
    size = ordered.shape[axis]
    if not np.isnan(ordered.take(-1, axis)).any():  # most often: the same places in all of them
        low, high = ordered.take((size - 1) // 2, axis), ordered.take(size // 2, axis)
        return np.asarray(0.5 * (low + high))
    count = np.expand_dims((~np.isnan(ordered)).sum(axis=axis), axis)
    low, high = (np.take_along_axis(ordered, at, axis) for at in ((count - 1) // 2, count // 2))
    return np.asarray(np.squeeze(0.5 * (low + high), axis))


def quantile(ordered: Floats, share: float) -> float:
    """A quantile by straight lines between sorted values (n,), n at least 1, without NaN.

    Type 7 of Hyndman & Fan 1996, Am. Stat. 50:361-365 (from memory).
    """
    place = share * (ordered.size - 1)
    low = int(place)
    below, above = float(ordered[low]), float(ordered[min(low + 1, ordered.size - 1)])
    return float(_between(below, above, place - low))


def quantiles(values: Floats, shares: tuple[float, ...]) -> Floats:
    """Quantiles of (n, ...) along the first axis, n at least 1; NaN where one is NaN.

    As ``quantile`` gives them of sorted values.
    """
    ordered = np.sort(values, axis=0)  # NaN comes last
    places = [(int(share * (len(ordered) - 1)), share * (len(ordered) - 1)) for share in shares]
    found = np.stack(
        [
            _between(ordered[low], ordered[min(low + 1, len(ordered) - 1)], place - low)
            for low, place in places
        ]
    )
    return np.where(np.isnan(ordered[-1]), np.nan, found)


def _between(below: Any, above: Any, part: float) -> Any:
    """On the straight line between two numbers, or arrays of them."""
    step = above - below
    # from the nearer end, so that a share of 1 gives the highest value itself
    return below + step * part if part < 0.5 else above - step * (1.0 - part)


def running_median_of_five(values: Floats) -> Floats:
    """The median of each value and the two on either side, (n,), n at least 1.

    Beyond the ends the first and the last value stand again.
    """
    padded = np.concatenate((values[:1], values[:1], values, values[-1:], values[-1:]))
    one, two, three, four, five = (padded[at : at + values.size] for at in range(5))
    # By comparisons, a tenth of the time of sorting each five: the lowest of the higher ones of
    # two pairs, the highest of the lower ones, and the fifth; their middle is the middle of all.
    high = np.minimum(np.maximum(one, two), np.maximum(three, four))
    low = np.maximum(np.minimum(one, two), np.minimum(three, four))
    low, high = np.minimum(low, high), np.maximum(low, high)
    return np.asarray(np.maximum(low, np.minimum(high, five)))
