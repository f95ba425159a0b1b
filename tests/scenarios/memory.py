"""A store and a log in memory that show what was there at a moment that a test sets."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime

import numpy as np

from service.registry.models.ingest import DeviceClock
from service.registry.models.log import LogEntry, LogKind
from service.store.buckets import aligned_span, buckets_of_samples
from service.store.model import (
    AGGREGATES,
    Aggregate,
    Buckets,
    Extent,
    Flag,
    Reading,
    Samples,
    SeriesInfo,
    SeriesKey,
)
from service.times import to_us


class MemoryStore:
    """Series whose readings come in as time goes on; of ``Store`` what deriving values needs."""

    def __init__(self, series: dict[SeriesKey, Samples]) -> None:
        """All readings there will be, sorted by time."""
        self._series = series
        self._end_us = 0

    def advance(self, now: datetime) -> None:
        """Show the readings up to a moment."""
        self._end_us = to_us(now) + 1

    def series(self, tank: str | None = None) -> list[SeriesInfo]:
        """As ``Store.series``."""
        found = []
        for key in sorted(self._series):
            last = self.latest(key, flagged=True)
            if last is not None and tank in (None, key.tank):
                found.append(SeriesInfo(key, last))
        return found

    def latest(self, key: SeriesKey, *, flagged: bool = False) -> Reading | None:
        """As ``Store.latest``."""
        found = self.read(key, 0, self._end_us, flagged=flagged)
        if not len(found):
            return None
        time_us, value, flags = found.time_us[-1], found.value[-1], found.flags[-1]
        return Reading(
            key.tank, key.quantity, key.sensor, int(time_us), float(value), Flag(int(flags))
        )

    def read(self, key: SeriesKey, start_us: int, end_us: int, *, flagged: bool = False) -> Samples:
        """As ``Store.read``."""
        one = self._series[key]
        part = slice(*np.searchsorted(one.time_us, (start_us, min(end_us, self._end_us))))
        found = Samples(one.time_us[part], one.value[part], one.flags[part])
        return found if flagged else found.usable()

    def extent(self, key: SeriesKey) -> Extent | None:
        """As ``Store.extent``."""
        found = self.read(key, 0, 1 << 62, flagged=True)
        if not len(found):
            return None
        return Extent(len(found), int(found.time_us[0]), int(found.time_us[-1]))

    def aggregate(
        self,
        key: SeriesKey,
        start_us: int,
        end_us: int,
        every_us: int,
        *,
        wanted: Collection[Aggregate] = AGGREGATES,
    ) -> Buckets:
        """As ``Store.aggregate``."""
        span = aligned_span(start_us, end_us, every_us)
        return buckets_of_samples(self.read(key, *span), every_us)


@dataclass
class MemoryLog:
    """The log of one tank; of the registry what deriving values needs."""

    entries: Sequence[LogEntry]
    clocks: Sequence[DeviceClock] = ()

    def log_in_force(
        self, tank: str, since: datetime, lasting: Iterable[LogKind]
    ) -> tuple[LogEntry, ...]:
        """All entries, newest first: more than asked for, as the registry may give."""
        return tuple(self.entries)

    def device_clocks(self, tank: str) -> Sequence[DeviceClock]:
        """Those of the scenario that are off at the moment."""
        return self.clocks

    def first_sensors(self, tank: str) -> Mapping[str, str]:
        """None is written down."""
        return {}
