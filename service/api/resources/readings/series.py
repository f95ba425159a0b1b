"""Several series of a tank as one list in the order of time, part by part."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from service.science.numeric.sets import numbered
from service.store import Buckets, SeriesKey

_DAY_US: Final = 86_400_000_000
"""A span is looked up in windows that start at a day and double, so that the first part of a
long span does not read all of it."""


@dataclass(frozen=True, slots=True)
class Column:
    """One series in a stretch of time: times, and a value and flags or a count at each."""

    key: SeriesKey
    time_us: npt.NDArray[np.int64]
    value: npt.NDArray[np.float64]
    extra: npt.NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class Page:
    """One page of the list as columns, and where the next one starts; None at the end.

    Attributes:
        extra: flags or counts.
    """

    keys: tuple[SeriesKey, ...]
    time_us: tuple[int, ...]
    value: tuple[float, ...]
    extra: tuple[int, ...]
    next_us: int | None


Load = Callable[[SeriesKey, int, int], Column]
Days = Callable[[SeriesKey, int, int], Buckets]


def page_of(
    keys: Sequence[SeriesKey],
    load: Load,
    start_us: int,
    end_us: int,
    limit: int,
    *,
    step_us: int = 1,
    days: Days | None = None,
    widen: bool = True,
) -> Page:
    """The first ``limit`` values of some series in [start_us, end_us), by time, then by series.

    Values of equal time stay on one page, so that the next one can start at a time; a page is
    longer than ``limit`` only where more series than that have a value at the same moment.

    Args:
        load: reads one series in a stretch of time.
        step_us: windows are multiples of it.
        days: how many values each day of a series has, so that no window reads far more than the
            page; None: every window is twice as long as the one before.
        widen: False keeps every window at a day, for values that ``days`` does not count.
    """
    columns: list[Column] = []
    low, width, read = start_us, max(_DAY_US, step_us), 0
    while low < end_us and read <= limit:
        high = min(end_us, -(-(low + width) // step_us) * step_us)
        if days is not None and width > _DAY_US:
            high = _full(keys, days, low, high, limit - read)
        found = [column for key in keys if len((column := load(key, low, high)).time_us)]
        columns += found
        read += sum(len(column.time_us) for column in found)
        low, width = high, 2 * width if widen else width
    return _cut(columns, limit)


def _full(keys: Sequence[SeriesKey], days: Days, low: int, high: int, most: int) -> int:
    """The end of the days from ``low`` that have up to ``most`` values, or of the first one."""
    found = [days(key, low, high) for key in keys]
    start_us, at = numbered(np.concatenate([[], *(one.start_us for one in found)]).astype(np.int64))
    count = np.bincount(at, weights=np.concatenate([[], *(one.count for one in found)]))
    beyond = int(np.searchsorted(np.cumsum(count), most, side="right"))
    if beyond == len(start_us):
        return high
    day_us = int(start_us[beyond])
    return day_us if day_us > low else min(high, day_us + _DAY_US)


def _cut(columns: Sequence[Column], limit: int) -> Page:
    if not columns:
        return Page((), (), (), (), None)
    time_us = np.concatenate([column.time_us for column in columns])
    value = np.concatenate([column.value for column in columns])
    extra = np.concatenate([column.extra for column in columns])
    keys = [column.key for column in columns]
    ranked = sorted(set(keys))
    owner = np.concatenate(
        [np.full(len(column.time_us), ranked.index(column.key)) for column in columns]
    )
    order = np.lexsort((owner, time_us))
    end, next_us = len(order), None
    if end > limit:
        sorted_us = time_us[order]
        next_us = int(sorted_us[limit])
        end = int(np.searchsorted(sorted_us, next_us, side="left"))
        if end == 0:
            end = int(np.searchsorted(sorted_us, next_us, side="right"))
            next_us = int(sorted_us[end]) if end < len(order) else next_us + 1
    shown = order[:end]
    return Page(
        tuple(ranked[at] for at in owner[shown].tolist()),
        tuple(time_us[shown].tolist()),
        tuple(value[shown].tolist()),
        tuple(extra[shown].tolist()),
        next_us,
    )
