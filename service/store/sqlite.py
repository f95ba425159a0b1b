"""Readings in one SQLite file: the default store, nothing to install."""

from __future__ import annotations

import logging
import queue
import sqlite3
import threading
import time
from collections.abc import Collection, Iterator, Sequence
from contextlib import contextmanager
from datetime import datetime
from pathlib import Path
from typing import Any, TypeVar

import numpy as np
import numpy.typing as npt

from service.errors import LittoralError, StoreRefusedError
from service.store import sqlite_file, sqlite_rollup, sqlite_upkeep, sqlite_write
from service.store.buckets import aligned_span, buckets_of_samples
from service.store.checks import check_every, check_readings
from service.store.reading import (
    AGGREGATES,
    NOT_USABLE,
    Aggregate,
    Buckets,
    Extent,
    Flag,
    Reading,
    Samples,
    SeriesInfo,
    SeriesKey,
    StoreHealth,
)
from service.store.retention import Pruned, RetentionPolicy

_log = logging.getLogger(__name__)
_ID = "(SELECT id FROM series WHERE tank = ? AND quantity = ? AND sensor = ?)"
_READ = (
    f"SELECT time, {{}} FROM reading WHERE series = {_ID} AND time >= ? AND time < ? "
    "AND flags & ? = 0 AND {} ORDER BY time"
)
_PAIR = np.dtype([("time", np.int64), ("value", np.float64)])
Scalar = TypeVar("Scalar", np.int32, np.float64)


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

    def __init__(self, path: Path) -> None:
        """Open or create the file.

        Raises:
            StoreUnavailableError, StoreRefusedError: as ``sqlite_file.create_or_open`` finds.
        """
        self._path = path
        self._writer = sqlite_file.create_or_open(path)
        self._write_lock = threading.Lock()
        self._readers: queue.LifoQueue[sqlite3.Connection] = queue.LifoQueue()
        self._last_write_s = 0.0
        self._left_out = 0
        with sqlite_file.told_plainly(path):
            try:
                reader = sqlite_file.connect(path, read_only=True)
                self._start_check = sqlite_upkeep.StartCheck(path, reader)
            except BaseException:
                self._writer.close()
                raise

    @property
    def checked(self) -> threading.Event:
        """Set once the file's structure has been checked after opening."""
        return self._start_check.done

    @classmethod
    def from_url(cls, url: str) -> SqliteStore:
        """Open the store of a URL such as ``sqlite:///var/littoral.db``.

        Raises:
            ConfigError: the URL names no file.
            StoreUnavailableError, StoreRefusedError: the file cannot be used.
        """
        return cls(sqlite_file.path_of_url(url))

    def write(self, readings: Sequence[Reading]) -> None:
        """Write a batch in one transaction; see ``Store.write``.

        Readings older than what ``prune`` has deleted are left out and counted in ``health``.
        """
        if not readings:
            return
        check_readings(readings)
        with self._writing() as connection:
            left_out = sqlite_write.write_batch(connection, readings)
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
        chosen = (*_names(key), start_us, end_us, 0 if flagged else int(NOT_USABLE))
        with self._reader() as connection, sqlite_file.snapshot(connection):
            rows = np.fromiter(connection.execute(_READ.format("value", "TRUE"), chosen), _PAIR)
            time_us = np.ascontiguousarray(rows["time"])
            value = np.ascontiguousarray(rows["value"])
            # Nearly all flags are 0 and raw numbers none: to ask for the few apart is faster.
            few = connection.execute(_READ.format("flags", "flags <> 0"), chosen)
            flags = _spread(few, time_us, np.int32(0))
            if not raw:
                return Samples(time_us, value, flags)
            few = connection.execute(_READ.format("raw", "raw IS NOT NULL"), chosen)
            return Samples(time_us, value, flags, _spread(few, time_us, np.float64("nan")))

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
        check_every(every_us)
        start_us, end_us = aligned_span(start_us, end_us, every_us)
        level = sqlite_rollup.level_for(every_us)
        if level is None:
            return buckets_of_samples(self.read(key, start_us, end_us), every_us)
        with self._reader() as connection:
            row = connection.execute(f"SELECT {_ID}", _names(key)).fetchone()
            series = -1 if row[0] is None else row[0]
            span = (start_us, end_us)
            return sqlite_rollup.read(connection, level, series, span, every_us, wanted)

    def series(self, tank: str | None = None) -> list[SeriesInfo]:
        """The series held; see ``Store.series``."""
        with self._reader() as connection:
            rows = connection.execute(
                "SELECT s.tank, s.quantity, s.sensor, r.time, r.value, r.flags, r.raw "
                "FROM series s JOIN reading r ON r.series = s.id AND r.time = s.last "
                "WHERE ?1 IS NULL OR s.tank = ?1 ORDER BY s.tank, s.quantity, s.sensor",
                (tank,),
            ).fetchall()
        keys = [SeriesKey(*row[:3]) for row in rows]
        return [
            SeriesInfo(key, _reading(key, row[3:])) for key, row in zip(keys, rows, strict=True)
        ]

    def extent(self, key: SeriesKey) -> Extent | None:
        """How much a series holds; see ``Store.extent``."""
        with self._reader() as connection:
            row = connection.execute(
                "SELECT held, first, last FROM series "
                "WHERE tank = ? AND quantity = ? AND sensor = ? AND held > 0",
                _names(key),
            ).fetchone()
        return None if row is None else Extent(*row)

    def latest(self, key: SeriesKey, *, flagged: bool = False) -> Reading | None:
        """The newest reading of one series; see ``Store.latest``."""
        with self._reader() as connection:
            row = connection.execute(
                f"SELECT time, value, flags, raw FROM reading WHERE series = {_ID} "
                "AND flags & ? = 0 ORDER BY time DESC LIMIT 1",
                (*_names(key), 0 if flagged else int(NOT_USABLE)),
            ).fetchone()
        return None if row is None else _reading(key, row)

    def delete_tank(self, tank: str) -> int:
        """Delete all readings of a tank; see ``Store.delete_tank``."""
        with self._writing() as connection:
            return sqlite_write.delete_tank(connection, tank)

    def prune(self, policy: RetentionPolicy, now: datetime) -> Pruned:
        """Delete readings and rollups older than a policy keeps, in steps; whole UTC days only."""
        return sqlite_upkeep.prune(self._writing, policy.kept_from_us(now))

    def rebuild_rollups(self) -> None:
        """Compute all rollups anew from the readings; changes nothing when they are right."""
        sqlite_upkeep.rebuild_rollups(self._writing)

    def back_up(self, to: Path) -> None:
        """Copy the store as it is now into a new file, while others read and write.

        Raises:
            StoreRefusedError: the file exists already or its folder does not.
            StoreUnavailableError: the disk is full or cannot be written.
        """
        with sqlite_file.told_plainly(to):
            connection = sqlite_file.connect(self._path)
            try:
                sqlite_upkeep.back_up(connection, to)
            finally:
                connection.close()

    def check(self) -> None:
        """Read the whole file and check its structure.

        Raises:
            StoreRefusedError: it is damaged.
        """
        with self._reader() as connection:
            sqlite_upkeep.check(self._path, connection)

    def health(self) -> StoreHealth:
        """Whether the file answers; see ``Store.health``."""
        numbers = {"left_out_past_retention": float(self._left_out)}
        if self._last_write_s:
            numbers["last_write_s"] = self._last_write_s
        if self._start_check.fault is not None:
            return StoreHealth(False, self.backend, self._start_check.fault.detail, numbers)
        try:
            with self._reader() as connection:
                connection.execute("SELECT count(*) FROM (SELECT 1 FROM reading LIMIT 1)")
        except LittoralError as error:
            return StoreHealth(False, self.backend, error.detail, numbers)
        return StoreHealth(True, self.backend, "", numbers)

    def close(self) -> None:
        """Close all connections."""
        self._start_check.stop()
        with self._write_lock:
            while not self._readers.empty():
                self._readers.get_nowait().close()
            self._writer.close()

    @contextmanager
    def _writing(self) -> Iterator[sqlite3.Connection]:
        if self._start_check.fault is not None:
            raise StoreRefusedError(self._start_check.fault.detail)
        with (
            self._write_lock,
            sqlite_file.told_plainly(self._path),
            sqlite_file.transaction(self._writer),
        ):
            yield self._writer

    @contextmanager
    def _reader(self) -> Iterator[sqlite3.Connection]:
        with sqlite_file.told_plainly(self._path):
            try:
                connection = self._readers.get_nowait()
            except queue.Empty:
                connection = sqlite_file.connect(self._path, read_only=True)
            try:
                yield connection
            finally:
                self._readers.put(connection)


def _names(key: SeriesKey) -> tuple[str, str, str]:
    return key.tank, key.quantity, key.sensor


def _spread(
    few: sqlite3.Cursor, time_us: npt.NDArray[np.int64], usual: Scalar
) -> npt.NDArray[Scalar]:
    """A column for all times from the few rows (time, number) in which it is not the usual."""
    rows = np.fromiter(few, np.dtype([("time", np.int64), ("number", usual.dtype)]))
    spread = np.full(len(time_us), usual)
    spread[np.searchsorted(time_us, rows["time"])] = rows["number"]
    return spread


def _reading(key: SeriesKey, row: Sequence[Any]) -> Reading:
    time_us, value, flags, raw = row
    return Reading(key.tank, key.quantity, key.sensor, time_us, value, Flag(flags), raw)
