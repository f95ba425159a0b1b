"""Readings in one SQLite file: the default store, nothing to install."""

from __future__ import annotations

import logging
import threading
import time
from collections.abc import Collection, Sequence
from datetime import datetime
from pathlib import Path

from service.errors import LittoralError
from service.store.buckets import aligned_span, buckets_of_samples
from service.store.checks import check_every, check_readings
from service.store.columns import ReadingColumns
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
from service.store.retention import Pruned, RetentionPolicy
from service.store.sqlite import file, prune, read, rollup, upkeep, write
from service.store.sqlite.connections import Connections
from service.store.sqlite.minutes import DamagedRollupsError

_log = logging.getLogger(__name__)


class SqliteStore:
    """A store in one file, shared by several processes of one machine.

    One connection writes; readers take others from a pool, so that a long read in one thread
    holds up neither the writer nor another reader (WAL).
    """

    backend = "sqlite"
    time_resolution_us = 1
    durable_after_s = 0.0
    visible_after_s = 0.0
    value_tolerance = 0.0

    def __init__(self, path: Path, *, create: bool = True, wait: bool = False) -> None:
        """Open the file.

        Args:
            create: make it when it is missing.
            wait: where it is missing or damaged, do without it until it is put right.

        Raises:
            NotFoundError: it is missing, and neither to be made nor waited for.
            StoreUnavailableError, StoreRefusedError: as ``file.open_file`` finds.
        """
        self._path = path
        self._connections = Connections(path, create=create, wait=wait)
        self._last_write_s = 0.0
        self._left_out = 0

    @property
    def checked(self) -> threading.Event:
        """Set once the file's structure has been checked after opening."""
        return self._connections.checked

    @classmethod
    def from_url(cls, url: str, *, create: bool = True, wait: bool = False) -> SqliteStore:
        """Open the store of a URL such as ``sqlite:///var/littoral.db``; see ``__init__``.

        Raises:
            ConfigError: the URL names no file.
        """
        return cls(file.path_of_url(url), create=create, wait=wait)

    def write(self, readings: Sequence[Reading]) -> None:
        """Write a batch in one transaction; see ``Store.write``.

        Readings older than what ``prune`` has deleted are left out and counted in ``health``.
        """
        if not readings:
            return
        check_readings(readings)
        columns = readings if isinstance(readings, ReadingColumns) else ReadingColumns.of(readings)
        batch = write.samples_by_series(columns)
        with self._connections.writing() as connection:
            left_out = write.write_batch(connection, batch)
        if left_out:
            self._left_out += left_out
            _log.warning("%d readings older than the retention were left out", left_out)
        self._last_write_s = time.time()

    def read(
        self,
        key: SeriesKey,
        start_us: int,
        end_us: int,
        *,
        flagged: bool = False,
        raw: bool = False,
    ) -> Samples:
        """Readings of one series in [start_us, end_us); see ``Store.read``."""
        with self._connections.reading() as connection:
            return read.samples(connection, key, start_us, end_us, flagged=flagged, raw=raw)

    def aggregate(
        self,
        key: SeriesKey,
        start_us: int,
        end_us: int,
        every_us: int,
        *,
        wanted: Collection[Aggregate] = AGGREGATES,
    ) -> Buckets:
        """Usable readings of one series in equal spans; see ``Store.aggregate``.

        Comes from rollups when ``every_us`` is a multiple of a minute, and then also covers time
        whose readings retention has deleted.
        """
        (found,) = self.aggregates((key,), start_us, end_us, every_us, wanted=wanted)
        return found

    def aggregates(
        self,
        keys: Sequence[SeriesKey],
        start_us: int,
        end_us: int,
        every_us: int,
        *,
        wanted: Collection[Aggregate] = AGGREGATES,
    ) -> list[Buckets]:
        """The same of several series; see ``Store.aggregates``."""
        check_every(every_us)
        start_us, end_us = aligned_span(start_us, end_us, every_us)
        level = rollup.level_for(every_us)
        if level is None:
            return [buckets_of_samples(self.read(key, start_us, end_us), every_us) for key in keys]
        span_us = (start_us, end_us)
        try:
            return self._from_rollups(keys, level, span_us, every_us, wanted)
        except DamagedRollupsError:
            self._connections.mend_rollups()
        return self._from_rollups(keys, level, span_us, every_us, wanted)

    def _from_rollups(
        self,
        keys: Sequence[SeriesKey],
        level: rollup.Level,
        span_us: tuple[int, int],
        every_us: int,
        wanted: Collection[Aggregate],
    ) -> list[Buckets]:
        with self._connections.reading() as connection, file.snapshot(connection):
            ids = [read.id_of(connection, key) for key in keys]
            return [rollup.read(connection, level, id, span_us, every_us, wanted) for id in ids]

    def series(self, tank: str | None = None) -> list[SeriesInfo]:
        """The series stored; see ``Store.series``."""
        with self._connections.reading() as connection:
            return read.series(connection, None if tank is None else (tank,))

    def series_of(self, tanks: Collection[str]) -> list[SeriesInfo]:
        """The series of some tanks; see ``Store.series_of``."""
        with self._connections.reading() as connection:
            return read.series(connection, tanks)

    def extent(self, key: SeriesKey) -> Extent | None:
        """How much a series holds; see ``Store.extent``."""
        with self._connections.reading() as connection:
            return read.extent(connection, key)

    def latest(self, key: SeriesKey, *, flagged: bool = False) -> Reading | None:
        """The newest reading of one series; see ``Store.latest``."""
        with self._connections.reading() as connection:
            return read.latest(connection, key, flagged=flagged)

    def delete_tank(self, tank: str) -> int:
        """Delete all readings of a tank; see ``Store.delete_tank``."""
        with self._connections.writing() as connection:
            return write.delete_tank(connection, tank)

    def claim_pruning(self, policy: RetentionPolicy, now: datetime) -> bool:
        """Whether something is newly too old; of several processes only one gets True."""
        with self._connections.writing() as connection:
            return prune.advance(connection, policy.retained_from_us(now))

    def prune(
        self, policy: RetentionPolicy, now: datetime, *, rest: prune.Rest = lambda: True
    ) -> Pruned:
        """Delete readings and rollups older than a policy keeps, in steps; whole UTC days only.

        Args:
            rest: called between two steps; False ends the pruning.
        """
        retained_from_us = policy.retained_from_us(now)
        with self._connections.writing() as connection:
            prune.advance(connection, retained_from_us)
        return prune.delete(self._connections.writing, retained_from_us, rest)

    def rebuild_rollups(self) -> None:
        """Compute all rollups anew from the readings; changes nothing when they are right."""
        upkeep.rebuild_rollups(self._connections.writing)

    def back_up(self, to: Path) -> None:
        """Copy the store as it is now into a new file, while others read and write.

        Raises:
            StoreRefusedError: the file exists already or its folder does not.
            StoreUnavailableError: the disk is full or cannot be written.
        """
        with file.errors_translated(to):
            connection = file.connect(self._path)
            try:
                upkeep.back_up(connection, to)
            finally:
                connection.close()

    def check(self) -> None:
        """Read the whole file and check its structure, and the checksums of what is packed.

        Damaged rollups are computed anew from their readings.

        Raises:
            StoreRefusedError: it is damaged.
            StoreUnavailableError: so are rollups whose readings retention has deleted.
        """
        self._connections.check()

    def health(self) -> StoreHealth:
        """Whether the file answers; see ``Store.health``."""
        numbers = {"left_out_past_retention": float(self._left_out)}
        if self._last_write_s:
            numbers["last_write_s"] = self._last_write_s
        try:
            with self._connections.reading() as connection:
                connection.execute("SELECT count(*) FROM (SELECT 1 FROM open_reading LIMIT 1)")
        except LittoralError as error:
            return StoreHealth(False, self.backend, error.detail, numbers)
        return StoreHealth(True, self.backend, "", numbers)

    def close(self) -> None:
        """Close all connections."""
        self._connections.close()
