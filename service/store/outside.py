"""Readings around the times at which a series leaves a range, without reading all the others."""

from __future__ import annotations

from typing import Final

import numpy as np

from service.store.interface import Store
from service.store.reading import Samples, SeriesKey

_SPAN_US: Final = 3_600_000_000
#: Shorter than this, all readings are fetched at once sooner than two questions are asked.
_SHORT_US: Final = 48 * _SPAN_US
#: Rather one long read than more reads than this.
_MOST_READS: Final = 400


def read_outside(
    store: Store,
    key: SeriesKey,
    start_us: int,
    end_us: int,
    *,
    low: float | None = None,
    high: float | None = None,
) -> Samples:
    """Usable readings of each hour in which one lies outside a range, and of the hours beside.

    "Beside" is the nearest hour with readings before and after. So each reading outside comes
    with its true neighbours in time, and whatever depends only on neighbours of which one is
    outside comes out as from all readings.

    Args:
        start_us, end_us: the span, half open.
        low, high: the range; None leaves that side open.

    Raises:
        StoreUnavailableError, StoreRefusedError: as the store finds.
    """
    if end_us - start_us <= _SHORT_US:
        return store.read(key, start_us, end_us)
    hours = store.aggregate(key, start_us, end_us, _SPAN_US, wanted=("min", "max"))
    outside = np.zeros(len(hours), bool)
    if low is not None:
        outside |= hours.min < low
    if high is not None:
        outside |= hours.max > high
    wanted = outside.copy()
    wanted[1:] |= outside[:-1]
    wanted[:-1] |= outside[1:]
    starts = hours.start_us[wanted]
    if len(starts) == 0:
        return Samples.empty()
    # Hours without readings between two wanted ones do not part them: there is nothing to skip.
    breaks = np.flatnonzero(np.diff(np.flatnonzero(wanted)) > 1)
    first = starts[np.concatenate(([0], breaks + 1))]
    last = starts[np.concatenate((breaks, [len(starts) - 1]))] + _SPAN_US
    if len(first) > _MOST_READS:
        return store.read(key, start_us, end_us)
    parts = [
        store.read(key, max(begin, start_us), min(end, end_us))
        for begin, end in zip(first.tolist(), last.tolist(), strict=True)
    ]
    return Samples(
        np.concatenate([part.time_us for part in parts]),
        np.concatenate([part.value for part in parts]),
        np.concatenate([part.flags for part in parts]),
    )
