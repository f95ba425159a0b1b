"""The one small interface that every store of readings implements."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from typing import Protocol

from service.store.model import (
    AGGREGATES,
    Aggregate,
    Buckets,
    Extent,
    Reading,
    Samples,
    SeriesInfo,
    SeriesKey,
    StoreHealth,
)


class ReadableStore(Protocol):
    """What is read of a store; what it promises: see ``Store``."""

    def read(
        self,
        key: SeriesKey,
        start_us: int,
        end_us: int,
        *,
        flagged: bool = False,
        raw: bool = False,
    ) -> Samples:
        """Readings of one series in [start_us, end_us), sorted by time.

        Args:
            flagged: also those with a flag of ``NOT_USABLE``.
            raw: also the numbers before calibration; one that equals the value comes back as none.
        """
        ...

    def aggregate(
        self,
        key: SeriesKey,
        start_us: int,
        end_us: int,
        every_us: int,
        *,
        wanted: Collection[Aggregate] = AGGREGATES,
    ) -> Buckets:
        """Usable readings of one series in spans of ``every_us``, aligned to 1970-01-01 UTC.

        ``start_us`` is rounded down and ``end_us`` up to multiples of ``every_us``.

        Args:
            wanted: what is asked for; the rest may come as NaN. To ask for less is faster.
        """
        ...

    def series(self, tank: str | None = None) -> list[SeriesInfo]:
        """The series stored, of one tank or all, sorted by key, each with its newest reading."""
        ...

    def extent(self, key: SeriesKey) -> Extent | None:
        """How many readings a series has and between which times; None if there are none.

        Exact; a server may have to read the whole series for it.
        """
        ...

    def latest(self, key: SeriesKey, *, flagged: bool = False) -> Reading | None:
        """The newest reading of one series (usable unless ``flagged``); None if there is none."""
        ...


class Store(ReadableStore, Protocol):
    """A time-series store of readings.

    What every backend promises:

    * ``write`` returns only after the batch is accepted by the store as a whole; the same
      (series, time) written again replaces, so redelivery changes nothing. When it raises, part
      of the batch may have been kept: write the whole batch again.
    * After ``write`` returned, this object's own reads show the batch; those of other objects
      and processes do within ``visible_after_s``.
    * Readings older than what the store's retention keeps are left out and counted in
      ``health().numbers["left_out_past_retention"]``.
    * Times are kept to the microsecond, or to ``time_resolution_us`` where that is coarser.
    * Spans of time are half-open: ``start_us <= t < end_us``.
    * Safe to call from several threads.

    All methods raise ``StoreUnavailableError`` when the store cannot be reached, is full or does
    not accept the credentials any more (the same call makes sense again later), and
    ``StoreRefusedError`` when it refuses what was asked for good (the same call never will work).
    """

    backend: str
    time_resolution_us: int
    #: Seconds after ``write`` returned until the data survive a crash of the store itself; where
    #: ``health().numbers["unsaved_s"]`` is less, so much less.
    durable_after_s: float
    #: Seconds after ``write`` returned until every other reader sees the data.
    visible_after_s: float
    #: Relative error that a value may come back with; 0 is bit for bit.
    value_tolerance: float

    def series_of(self, tanks: Collection[str]) -> list[SeriesInfo]:
        """The series of some tanks as ``series`` gives those of one; a few hundred at a time."""
        ...

    def aggregates(
        self,
        keys: Sequence[SeriesKey],
        start_us: int,
        end_us: int,
        every_us: int,
        *,
        wanted: Collection[Aggregate] = AGGREGATES,
    ) -> list[Buckets]:
        """What ``aggregate`` gives of each of some series, in their order, in few questions."""
        ...

    def write(self, readings: Sequence[Reading]) -> None:
        """Write a batch; the same batch again changes nothing."""
        ...

    def delete_tank(self, tank: str) -> int:
        """Delete all readings of a tank; returns how many there were."""
        ...

    def health(self) -> StoreHealth:
        """Whether the store answers now; never raises."""
        ...

    def close(self) -> None:
        """Release connections; the store is not used after it."""
        ...
