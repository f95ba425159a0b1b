"""The open hour of each series: that of its newest reading, a row for each reading.

The earlier part of a quick sensor's open hour is packed already (``block``), so that a question
reads some hundreds of rows at most, or as many as come in ten minutes by single readings.
Two tables of one form, together the view ``open_reading``: ``fresh`` has the latest rows of all
series, so few that they fit about one page, and ``reading`` the rest. A commit writes whole pages
to the disk, so that few readings of many series cost one page in place of one for each series.
No reading stands in both. Whoever writes holds a transaction.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator, Sequence
from typing import Final

import numpy as np

from service.store.buckets import empty_buckets
from service.store.model import NOT_USABLE, Buckets, Samples

#: series, time in microseconds, value, flags, raw
OpenRow = tuple[int, int, float, int, float | None]
#: time in microseconds, value, flags, raw
ReadingRow = tuple[int, float, int, float | None]

#: Rows that ``fresh`` may have: some 25 bytes each, 4,096 a page.
FRESH_ROWS: Final = 120
_TABLES: Final = ("fresh", "reading")
_COLUMNS: Final = "series, time, value, flags, raw"
# ``value`` and ``raw`` are of no declared type: in a column of type REAL, SQLite stores whole
# numbers as integers, which have no -0.0.
SCHEMA: Final = (
    "".join(
        f"""
CREATE TABLE {table} (
  series INTEGER NOT NULL REFERENCES series (id),
  time INTEGER NOT NULL,
  value NOT NULL,
  flags INTEGER NOT NULL,
  raw,
  PRIMARY KEY (series, time)
) WITHOUT ROWID;
"""
        for table in _TABLES
    )
    + f"""
CREATE VIEW open_reading AS
  SELECT {_COLUMNS} FROM fresh UNION ALL SELECT {_COLUMNS} FROM reading;
"""
)
#: No number before calibration is infinite, and none can be NULL in an array.
COLUMNS_OF_SAMPLES: Final = "time, value, flags, ifnull(raw, 9e999)"
_ROW: Final = np.dtype(
    [("time", np.int64), ("value", np.float64), ("flags", np.int32), ("raw", np.float64)]
)

_TIMED: Final = np.dtype([("time", np.int64), ("value", np.float64)])

#: Of each table by itself: the view would take each row through a subprogram of its own.
_ADDED_UP: Final = """
SELECT sum(n), sum(total), min(low), max(high), min(first), max(last) FROM ({})
""".format(
    " UNION ALL ".join(
        "SELECT count(*) n, total(value) total, min(value) low, max(value) high, "
        f"min(time) first, max(time) last FROM {table} "
        "WHERE series = ? AND time >= ? AND time < ? AND flags & ? = 0"
        for table in _TABLES
    )
)

#: The newest time of the series ``s.id``, -1 without one; quicker than max() of the view.
NEWEST_US: Final = "max({})".format(
    ", ".join(
        f"coalesce((SELECT max(time) FROM {table} WHERE series = s.id), -1)" for table in _TABLES
    )
)


def samples(connection: sqlite3.Connection, series: int, start_us: int, end_us: int) -> Samples:
    """Readings of the open hour of a series in [start_us, end_us), flagged ones too."""
    return samples_of(
        connection.execute(
            f"SELECT {COLUMNS_OF_SAMPLES} FROM open_reading "
            "WHERE series = ? AND time >= ? AND time < ? ORDER BY time",
            (series, start_us, end_us),
        )
    )


def usable_values(
    connection: sqlite3.Connection, series: int, start_us: int, end_us: int
) -> Samples:
    """Usable readings of the open hour of a series; flags and raw numbers are not read."""
    rows = np.fromiter(
        connection.execute(
            "SELECT time, value FROM open_reading WHERE series = ? AND time >= ? AND time < ? "
            "AND flags & ? = 0 ORDER BY time",
            (series, start_us, end_us, int(NOT_USABLE)),
        ),
        _TIMED,
    )
    return Samples(rows["time"], rows["value"], np.zeros(len(rows), np.int32))


def hour_of(
    connection: sqlite3.Connection, series: int, start_us: int, end_us: int, every_us: int
) -> Buckets:
    """The usable readings of the open hour of a series as the one bucket in which they all lie.

    SQLite adds them up: reading the rows takes four times as long.

    Args:
        every_us: length of the bucket, a multiple of an hour; start and end are multiples of it.
    """
    key = (series, start_us, end_us, int(NOT_USABLE))
    count, total, low, high, first_us, last_us = connection.execute(_ADDED_UP, key + key).fetchone()
    if not count:
        return empty_buckets(every_us)
    first, last = (_value_at(connection, series, time_us) for time_us in (first_us, last_us))
    start = np.array([first_us // every_us * every_us])
    columns = (np.array([one], np.float64) for one in (total, low, high, first, last))
    return Buckets(start, every_us, np.array([count]), *columns)


def _value_at(connection: sqlite3.Connection, series: int, time_us: int) -> float:
    (value,) = connection.execute(
        "SELECT value FROM open_reading WHERE series = ? AND time = ?", (series, time_us)
    ).fetchone()
    return float(value)


def samples_of(cursor: sqlite3.Cursor) -> Samples:
    """Rows of ``COLUMNS_OF_SAMPLES``, sorted by time, as arrays."""
    rows = np.fromiter(cursor, _ROW)
    raw = np.where(np.isinf(rows["raw"]), np.nan, rows["raw"])
    time_us, value, flags = (
        np.ascontiguousarray(rows[name]) for name in ("time", "value", "flags")
    )
    return Samples(time_us, value, flags, raw)


def newest(connection: sqlite3.Connection, series: int, *, flagged: bool) -> ReadingRow | None:
    """The newest reading of the open hour of a series, usable unless ``flagged``."""
    row: ReadingRow | None = connection.execute(
        "SELECT time, value, flags, raw FROM open_reading WHERE series = ? AND flags & ? = 0 "
        "ORDER BY time DESC LIMIT 1",
        (series, 0 if flagged else int(NOT_USABLE)),
    ).fetchone()
    return row


def extent(connection: sqlite3.Connection, series: int) -> tuple[int, int | None, int | None]:
    """How many readings the open hour of a series has, the first and the last time of them."""
    row: tuple[int, int | None, int | None] = connection.execute(
        "SELECT count(*), min(time), max(time) FROM open_reading WHERE series = ?", (series,)
    ).fetchone()
    return row


def has_more_than(connection: sqlite3.Connection, series: int, count: int) -> bool:
    """Whether a series has more rows than so many, those in ``fresh`` left out."""
    row = connection.execute(
        "SELECT 1 FROM reading WHERE series = ? LIMIT 1 OFFSET ?", (series, count)
    ).fetchone()
    return row is not None


def put(connection: sqlite3.Connection, rows: Sequence[OpenRow]) -> None:
    """Put in readings of open hours; one at a time that is there already is replaced."""
    if len(rows) > FRESH_ROWS:
        _move_fresh(connection)
        _insert(connection, "reading", rows)
        return
    connection.executemany("DELETE FROM reading WHERE series = ? AND time = ?", _keys(rows))
    _insert(connection, "fresh", rows)
    (count,) = connection.execute("SELECT count(*) FROM fresh").fetchone()
    if count > FRESH_ROWS:
        _move_fresh(connection)


def delete(connection: sqlite3.Connection, series: int) -> int:
    """Delete the open hour of a series; returns how many readings it had."""
    return sum(
        connection.execute(f"DELETE FROM {table} WHERE series = ?", (series,)).rowcount
        for table in _TABLES
    )


def _move_fresh(connection: sqlite3.Connection) -> None:
    connection.execute(f"INSERT INTO reading ({_COLUMNS}) SELECT {_COLUMNS} FROM fresh")
    connection.execute("DELETE FROM fresh")


def _insert(connection: sqlite3.Connection, table: str, rows: Sequence[OpenRow]) -> None:
    connection.executemany(f"INSERT OR REPLACE INTO {table} VALUES (?, ?, ?, ?, ?)", rows)


def _keys(rows: Sequence[OpenRow]) -> Iterator[tuple[int, int]]:
    return ((row[0], row[1]) for row in rows)
