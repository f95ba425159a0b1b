"""Readings around the times at which a series leaves a range, without reading all the others."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from typing import Final

import numpy as np
import numpy.typing as npt

from service.store.interface import ReadableStore
from service.store.model import Buckets, Samples, SeriesKey

_SPAN_US: Final = 3_600_000_000
#: Shorter than this, all readings are fetched at once sooner than two questions are asked.
_SHORT_US: Final = 48 * _SPAN_US
#: Rather one long read than more stretches than this.
_MOST_STRETCHES: Final = 400
#: In most series a reading lies so close before and after an hour; else the hour beside is read.
_NEAR_US: Final = 5 * 60_000_000

_Read = Callable[[int, int], Samples]


def read_outside(
    store: ReadableStore,
    key: SeriesKey,
    start_us: int,
    end_us: int,
    *,
    low: float | None = None,
    high: float | None = None,
    band: float = 0.0,
) -> Samples:
    """Usable readings of each hour in which one lies outside a range, with those next to it.

    With a ``band`` the hours before and after count too, as far as in each of them a reading lies
    outside the range made narrower by the band. Each stretch of such hours comes with the nearest
    readings before and after it. So what begins where the series leaves the range, and is over
    once it is back inside by the band, comes out as from all readings.

    Args:
        start_us, end_us: the span, half open.
        low, high: the range; None leaves that side open.
        band: at least 0, in the unit of the series.

    Raises:
        StoreUnavailableError, StoreRefusedError: as the store finds.
    """
    if end_us - start_us <= _SHORT_US:
        return store.read(key, start_us, end_us)
    hours = store.aggregate(key, start_us, end_us, _SPAN_US, wanted=("min", "max"))
    stretches = _stretches(hours, low, high, band)
    if len(stretches) > _MOST_STRETCHES:
        return store.read(key, start_us, end_us)

    def read(begin_us: int, finish_us: int) -> Samples:
        return store.read(key, max(begin_us, start_us), min(finish_us, end_us))

    return _joined(
        part for first, last in stretches for part in _around(read, hours.start_us, first, last)
    )


def _stretches(
    hours: Buckets, low: float | None, high: float | None, band: float
) -> list[tuple[int, int]]:
    """First and last index of each stretch of hours that is needed.

    Hours without readings between two others do not part them: there is nothing to skip.
    """
    outside, near = np.zeros(len(hours), bool), np.zeros(len(hours), bool)
    if low is not None:
        outside |= hours.min < low
        near |= hours.min < low + band
    if high is not None:
        outside |= hours.max > high
        near |= hours.max > high - band
    edges = np.flatnonzero(np.diff(near, prepend=False, append=False)).reshape(-1, 2)
    return [(first, end - 1) for first, end in edges.tolist() if outside[first:end].any()]


def _around(
    read: _Read, starts_us: npt.NDArray[np.int64], first: int, last: int
) -> Iterator[Samples]:
    """The readings of a stretch of hours and at least one before and after it, if there is one."""
    begin_us, end_us = int(starts_us[first]), int(starts_us[last]) + _SPAN_US
    found = read(begin_us - _NEAR_US, end_us + _NEAR_US)
    if first > 0 and not (found.time_us[:1] < begin_us).any():
        before_us = int(starts_us[first - 1])
        yield read(before_us, before_us + _SPAN_US)
    yield found
    if last + 1 < len(starts_us) and not (found.time_us[-1:] >= end_us).any():
        after_us = int(starts_us[last + 1])
        yield read(after_us, after_us + _SPAN_US)


def _joined(parts: Iterable[Samples]) -> Samples:
    """Parts that are sorted by time as one; of what stands in two, the first."""
    joined = [Samples.empty()]
    latest_us = -1
    for part in parts:
        new = slice(int(np.searchsorted(part.time_us, latest_us, side="right")), None)
        joined.append(Samples(part.time_us[new], part.value[new], part.flags[new]))
        if len(part):
            latest_us = max(latest_us, int(part.time_us[-1]))
    return Samples(
        np.concatenate([part.time_us for part in joined]),
        np.concatenate([part.value for part in joined]),
        np.concatenate([part.flags for part in joined]),
    )
