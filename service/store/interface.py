"""The one small interface that every store of readings implements."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Protocol

from service.store.reading import (
    Buckets,
    Reading,
    Samples,
    SeriesInfo,
    SeriesKey,
    StoreHealth,
)


class Store(Protocol):
    """A time-series store of readings.

    What every backend promises:

    * ``write`` returns only after the batch is accepted by the store as a whole; the same
      (series, time) written again replaces, so redelivery changes nothing.
    * Times are kept to the microsecond, or to ``time_resolution_us`` where that is coarser.
    * Spans of time are half-open: ``start_us <= t < end_us``.
    * Safe to call from several threads.

    All methods raise ``StoreUnavailableError`` when the store cannot be reached (retrying makes
    sense) and ``StoreRefusedError`` when it refuses for good (retrying does not).
    """

    backend: str
    time_resolution_us: int
    #: Seconds after ``write`` returned until the data survive a crash of the store itself.
    durable_after_s: float

    def write(self, readings: Sequence[Reading]) -> None:
        """Write a batch, all of it or none; idempotent."""
        ...

    def read(self, key: SeriesKey, start_us: int, end_us: int, *, flagged: bool = False) -> Samples:
        """Readings of one series in [start_us, end_us), sorted by time.

        Args:
            flagged: also those with a flag of ``NOT_USABLE``.
        """
        ...

    def aggregate(self, key: SeriesKey, start_us: int, end_us: int, every_us: int) -> Buckets:
        """Usable readings of one series in spans of ``every_us``, aligned to 1970-01-01 UTC.

        ``start_us`` is rounded down and ``end_us`` up to multiples of ``every_us``.
        """
        ...

    def series(self, tank: str | None = None) -> list[SeriesInfo]:
        """The series held, of one tank or all, sorted by key, each with its latest reading.

        ``last`` is the newest reading by time, flagged or not.
        """
        ...

    def latest(self, key: SeriesKey, *, flagged: bool = False) -> Reading | None:
        """The newest reading of one series (usable unless ``flagged``); None if there is none."""
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
