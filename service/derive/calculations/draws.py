"""Draws of uncertain inputs, the same every time, for the interval of what follows from them."""

from __future__ import annotations

from functools import cache
from statistics import NormalDist
from typing import Final

import numpy as np

from service.derive.models.co2 import Array
from service.derive.models.quality import EstimatedValue
from service.science.carbonate.kh_test import MeasuredAlkalinity
from service.science.numeric.ranks import quantiles

COUNT: Final = 1000
"""Draws of an input, one from each thousandth of its distribution (a Latin hypercube)."""
ORDER_SEED: Final = 20


class Draws:
    """Draws of one input after the other, in an order of its own each, always alike."""

    def __init__(self) -> None:
        self._order = np.random.default_rng(ORDER_SEED)

    def rectangular(self, middle: float, half_width: float) -> Array:
        """Values between two limits, all alike."""
        return middle + half_width * self._order.permutation(_evenly())

    def normal(self, middle: float, sd: float) -> Array:
        """Values of a normal distribution."""
        return middle + sd * self._order.permutation(_normally())

    def alkalinity(self, measured: MeasuredAlkalinity) -> Array:
        """Values of a measured alkalinity, meq/L, not below 0."""
        half, sd = float(measured.half_width_meq_l), float(measured.sd_meq_l)
        drawn = self.rectangular(float(measured.value_meq_l), half) + self.normal(0.0, sd)
        return np.maximum(drawn, 0.0)


def estimate_of(value: float, drawn: Array) -> EstimatedValue | None:
    """A value with the middle 95 % of its draws; None where it, or many of them, have no answer."""
    known = drawn[~np.isnan(drawn)]
    if np.isnan(value) or known.size < COUNT / 2:
        return None
    low, high = (float(one) for one in quantiles(known, (0.025, 0.975)))
    return EstimatedValue(value, min(low, value), max(high, value))


@cache
def _evenly() -> Array:
    return np.asarray((np.arange(COUNT) + 0.5) * (2.0 / COUNT) - 1.0, np.float64)


@cache
def _normally() -> Array:
    quantile = NormalDist().inv_cdf
    return np.array([quantile((rank + 0.5) / COUNT) for rank in range(COUNT)])
