"""How the series of a tank are read: means over steps that fit what they show."""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

import numpy as np
import numpy.typing as npt

from service.derive.light.source import LIGHT_QUANTITIES
from service.derive.models.co2 import Array
from service.derive.sensors.choice import US_PER_MINUTE
from service.store.interface import ReadableStore
from service.store.model import MEAN_ALONE, Samples, SeriesKey

HOUR_US: Final = 60 * US_PER_MINUTE
LIGHT_STEP_US: Final = US_PER_MINUTE
WATER_STEP_US: Final = 5 * US_PER_MINUTE
"""Means over these steps are read: light switches within minutes, water does not."""

Reader = Callable[[SeriesKey, int, int], Samples]
"""Reads a series from a start to an end, microseconds, half open."""


def means(store: ReadableStore, step_us: int | None = None) -> Reader:
    """A reader of means; ``step_us`` None for the step of each quantity."""

    def read(key: SeriesKey, start_us: int, end_us: int) -> Samples:
        step = step_us or step_of(key.quantity)
        found = store.aggregate(key, start_us, end_us, step, wanted=MEAN_ALONE)
        return as_samples(found.start_us, found.mean, step, end_us)

    return read


def step_of(quantity: str) -> int:
    """Length of the spans that a quantity is averaged over, microseconds."""
    return LIGHT_STEP_US if quantity in LIGHT_QUANTITIES else WATER_STEP_US


def as_samples(start_us: npt.NDArray[np.int64], mean: Array, step_us: int, end_us: int) -> Samples:
    """The means of spans as samples at the middle of each, all before ``end_us``."""
    middle = np.minimum(start_us + step_us // 2, end_us - 1)
    return Samples(middle, mean, np.zeros(len(mean), np.int32))
