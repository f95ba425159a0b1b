"""Readings in one SQLite file: the default store, nothing to install."""

from __future__ import annotations

import queue
import sqlite3
import threading
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

import numpy as np

from service.errors import LittoralError
from service.store import sqlite_file
from service.store.buckets import aligned_span, buckets_of_samples
from service.store.checks import check_every, check_readings
from service.store.reading import (
    NOT_USABLE,
    Buckets,
    Flag,
    Reading,
    Samples,
    SeriesInfo,
    SeriesKey,
    StoreHealth,
)

_UPSERT = """
INSERT INTO reading (series, time, value, flags, raw) VALUES (?, ?, ?, ?, ?)
ON CONFLICT (series, time) DO UPDATE
SET value = excluded.value, flags = excluded.flags, raw = excluded.raw
"""
_ROW = np.dtype([("time_us", np.int64), ("value", np.float64), ("flags", np.int32)])


class SqliteStore:
    """A store in one file, shared by several processes of one machine.

    One connection writes; readers take others from a pool, so that a long read in one thread
    holds up neither the writer nor another reader (WAL).
    """

    backend = "sqlite"
    time_resolution_us = 1
    durable_after_s = 0.0

    def __init__(self, path: Path) -> None:
        """Open or create the file.

        Raises:
            StoreUnavailableError, StoreRefusedError: as ``sqlite_file.create_or_open`` finds.
        """
        self._path = path
        self._writer = sqlite_file.create_or_open(path)
        self._write_lock = threading.Lock()
        self._readers: queue.LifoQueue[sqlite3.Connection] = queue.LifoQueue()
        # Series are never deleted from their table, so an id once seen stays right.
        self._ids: dict[tuple[str, str, str], int] = {}
        self._last_write_s = 0.0

    @classmethod
    def from_url(cls, url: str) -> SqliteStore:
        """Open the store of a URL such as ``sqlite:///var/littoral.db``.

        Raises:
            ConfigError: the URL names no file.
            StoreUnavailableError, StoreRefusedError: the file cannot be used.
        """
        return cls(sqlite_file.path_of_url(url))

    def write(self, readings: Sequence[Reading]) -> None:
        """Write a batch in one transaction; see ``Store.write``."""
        if not readings:
            return
        check_readings(readings)
        with self._write_lock, sqlite_file.told_plainly(self._path):
            with sqlite_file.transaction(self._writer):
                ids = self._series_ids(readings)
                rows = [
                    (ids[r.tank, r.quantity, r.sensor], r.time_us, r.value, int(r.flags), r.raw)
                    for r in readings
                ]
                # Stable: of two readings at one time the later in the batch stays.
                rows.sort(key=lambda row: row[:2])
                self._writer.executemany(_UPSERT, rows)
            self._ids.update(ids)
        self._last_write_s = time.time()

    def _series_ids(self, readings: Sequence[Reading]) -> dict[tuple[str, str, str], int]:
        ids: dict[tuple[str, str, str], int] = {}
        for names in {(r.tank, r.quantity, r.sensor) for r in readings}:
            known = self._ids.get(names)
            if known is None:
                self._writer.execute(
                    "INSERT INTO series (tank, quantity, sensor) VALUES (?, ?, ?) "
                    "ON CONFLICT DO NOTHING",
                    names,
                )
                (known,) = self._writer.execute(
                    "SELECT id FROM series WHERE tank = ? AND quantity = ? AND sensor = ?", names
                ).fetchone()
            ids[names] = known
        return ids

    def read(self, key: SeriesKey, start_us: int, end_us: int, *, flagged: bool = False) -> Samples:
        """Readings of one series in [start_us, end_us); see ``Store.read``."""
        with self._reader() as connection:
            cursor = connection.execute(
                "SELECT time, value, flags FROM reading WHERE series = "
                "(SELECT id FROM series WHERE tank = ? AND quantity = ? AND sensor = ?) "
                "AND time >= ? AND time < ? AND flags & ? = 0 ORDER BY time",
                (*_names(key), start_us, end_us, 0 if flagged else int(NOT_USABLE)),
            )
            rows = np.fromiter(cursor, dtype=_ROW)
        return Samples(
            np.ascontiguousarray(rows["time_us"]),
            np.ascontiguousarray(rows["value"]),
            np.ascontiguousarray(rows["flags"]),
        )

    def aggregate(self, key: SeriesKey, start_us: int, end_us: int, every_us: int) -> Buckets:
        """Usable readings of one series in equal spans; see ``Store.aggregate``."""
        check_every(every_us)
        start_us, end_us = aligned_span(start_us, end_us, every_us)
        return buckets_of_samples(self.read(key, start_us, end_us), every_us)

    def series(self, tank: str | None = None) -> list[SeriesInfo]:
        """The series held; see ``Store.series``."""
        with self._reader() as connection:
            rows = connection.execute(
                "SELECT s.tank, s.quantity, s.sensor, count(*), min(r.time), max(r.time) "
                "FROM series s JOIN reading r ON r.series = s.id "
                "WHERE ? IS NULL OR s.tank = ? GROUP BY s.id "
                "ORDER BY s.tank, s.quantity, s.sensor",
                (tank, tank),
            ).fetchall()
            found = []
            for *names, count, first_us, _ in rows:
                key = SeriesKey(*names)
                last = self._latest(connection, key, flagged=True)
                if last is not None:
                    found.append(SeriesInfo(key, count, first_us, last))
            return found

    def latest(self, key: SeriesKey, *, flagged: bool = False) -> Reading | None:
        """The newest reading of one series; see ``Store.latest``."""
        with self._reader() as connection:
            return self._latest(connection, key, flagged=flagged)

    def _latest(
        self, connection: sqlite3.Connection, key: SeriesKey, *, flagged: bool
    ) -> Reading | None:
        row = connection.execute(
            "SELECT time, value, flags, raw FROM reading WHERE series = "
            "(SELECT id FROM series WHERE tank = ? AND quantity = ? AND sensor = ?) "
            "AND flags & ? = 0 ORDER BY time DESC LIMIT 1",
            (*_names(key), 0 if flagged else int(NOT_USABLE)),
        ).fetchone()
        if row is None:
            return None
        time_us, value, flags, raw = row
        return Reading(key.tank, key.quantity, key.sensor, time_us, value, Flag(flags), raw)

    def delete_tank(self, tank: str) -> int:
        """Delete all readings of a tank; see ``Store.delete_tank``."""
        with (
            self._write_lock,
            sqlite_file.told_plainly(self._path),
            sqlite_file.transaction(self._writer),
        ):
            return self._writer.execute(
                "DELETE FROM reading WHERE series IN (SELECT id FROM series WHERE tank = ?)",
                (tank,),
            ).rowcount

    def health(self) -> StoreHealth:
        """Whether the file answers; see ``Store.health``."""
        numbers = {"last_write_s": self._last_write_s} if self._last_write_s else {}
        try:
            with self._reader() as connection:
                connection.execute("SELECT count(*) FROM (SELECT 1 FROM reading LIMIT 1)")
        except LittoralError as error:
            return StoreHealth(False, self.backend, error.detail, numbers)
        return StoreHealth(True, self.backend, "", numbers)

    def close(self) -> None:
        """Close all connections."""
        with self._write_lock:
            while not self._readers.empty():
                self._readers.get_nowait().close()
            self._writer.close()

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
