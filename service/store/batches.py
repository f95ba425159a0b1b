"""A batch of readings as arrays by series, and back."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from itertools import pairwise
from operator import attrgetter
from typing import Final

import numpy as np

from service.store.model import Flag, Reading, Samples, SeriesKey

_NAMES: Final = attrgetter("tank", "quantity", "sensor")
_NONE: Final = float("nan")


def samples_by_series(readings: Sequence[Reading]) -> dict[SeriesKey, Samples]:
    """The readings of each series, sorted by time; of two at one time the later in the batch."""
    if not readings:
        return {}
    numbers: dict[tuple[str, str, str], int] = {}
    number_of = numbers.setdefault
    of_series = np.array([number_of(_NAMES(one), len(numbers)) for one in readings], np.int64)
    columns = Samples(
        np.array([one.time_us for one in readings], np.int64),
        np.array([one.value for one in readings], np.float64),
        np.array([one.flags for one in readings], np.int32),
        np.array([_NONE if one.raw is None else one.raw for one in readings], np.float64),
    )
    order = np.lexsort((columns.time_us, of_series))  # stable: equal ones stay in their order
    of_series, times = of_series[order], columns.time_us[order]
    last = np.append((of_series[1:] != of_series[:-1]) | (times[1:] != times[:-1]), True)
    columns = columns.taken(order[last])
    bounds = np.searchsorted(of_series[last], np.arange(len(numbers) + 1)).tolist()
    return {
        SeriesKey(*names): columns.taken(slice(first, end))
        for names, (first, end) in zip(numbers, pairwise(bounds), strict=True)
    }


def readings_of(batch: Mapping[SeriesKey, Samples]) -> Iterator[Reading]:
    """The readings of a batch that is given as arrays, series by series."""
    for key, samples in batch.items():
        assert samples.raw is not None
        columns = (samples.time_us, samples.value, samples.flags, samples.raw)
        for time_us, value, flags, raw in zip(*(one.tolist() for one in columns), strict=True):
            yield Reading(
                key.tank, key.quantity, key.sensor, time_us, value, Flag(flags),
                None if np.isnan(raw) else raw,
            )  # fmt: skip
