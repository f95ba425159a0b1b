"""Rollups per minute of the hours of a series that are packed, those of an hour in one row.

A row holds its hour's sixty minutes column by column, compressed (zlib, RFC 1950, whose checksum
finds what was damaged): some hundred bytes, and eight days are read in 192 rows. What is damaged
is computed anew from its readings (``upkeep``). Whoever writes holds a transaction.
"""

from __future__ import annotations

import sqlite3
import zlib
from collections.abc import Collection, Iterator, Sequence
from typing import Final

import numpy as np
import numpy.typing as npt

from service.errors import StoreUnavailableError
from service.science.numeric.sets import numbered
from service.store.buckets import concatenated_buckets, empty_buckets
from service.store.model import Buckets
from service.store.sqlite.packing import UnpackError, damage

IntArray = npt.NDArray[np.int64]

MINUTE_US: Final = 60_000_000
HOUR_US: Final = 3_600_000_000
_IN_HOUR: Final = HOUR_US // MINUTE_US

# A table with row numbers: without, SQLite gives a body of more than 1,002 bytes, as quick sensors
# have it, a page of its own.
SCHEMA: Final = """
CREATE TABLE rollup_minute (
  series INTEGER NOT NULL REFERENCES series (id),
  hour INTEGER NOT NULL,
  minutes INTEGER NOT NULL,
  body BLOB NOT NULL,
  PRIMARY KEY (series, hour)
);
"""
_COLUMNS: Final = ("total", "low", "high", "first", "last")
_HOUR: Final = np.dtype(
    [
        ("n", "<u4", _IN_HOUR),  # 0: the minute has no usable reading
        *((name, "<f8", _IN_HOUR) for name in _COLUMNS),
    ]
)
_MOST_HOURS: Final = 1_000
"""Unpacked at once where many are read: bounds the memory."""
_MOST_BYTES: Final = 2 * _HOUR.itemsize
"""Of a body: more than zlib makes of any hour, and a thousandfold of it is little memory."""


class DamagedRollupsError(StoreUnavailableError):
    """Packed rollups cannot be unpacked; says of which hour."""


def replace(connection: sqlite3.Connection, series: int, hours: IntArray, minutes: Buckets) -> None:
    """Replace the rollups per minute of hours of a series.

    Args:
        hours: their numbers, sorted.
        minutes: all of these hours, sorted.
    """
    connection.executemany(
        "DELETE FROM rollup_minute WHERE series = ? AND hour = ?",
        ((series, hour) for hour in hours.tolist()),
    )
    hour, minute = np.divmod(minutes.start_us // MINUTE_US, _IN_HOUR)
    numbers, row = numbered(hour)
    rows = np.zeros(len(numbers), _HOUR)
    rows["n"][row, minute] = minutes.count
    columns = (minutes.sum, minutes.min, minutes.max, minutes.first, minutes.last)
    for name, column in zip(_COLUMNS, columns, strict=True):
        rows[name][row, minute] = column
    connection.executemany(
        "INSERT INTO rollup_minute (series, hour, minutes, body) VALUES (?, ?, ?, ?)",
        (
            (series, number, count, zlib.compress(body.tobytes()))
            for number, count, body in zip(
                numbers.tolist(), np.bincount(row).tolist(), rows, strict=True
            )
        ),
    )


def read(
    connection: sqlite3.Connection,
    series: int,
    span_us: tuple[int, int],
    columns: Collection[str],
) -> Buckets:
    """The rollups per minute of a series in a span; columns that are not named are NaN.

    Args:
        span_us: start and end, multiples of a minute.
        columns: some of total, low, high, first and last.

    Raises:
        DamagedRollupsError: those of an hour are damaged.
    """
    start, end = (time_us // MINUTE_US for time_us in span_us)
    cursor = connection.execute(
        "SELECT hour, body FROM rollup_minute WHERE series = ? AND hour >= ? AND hour < ? "
        "ORDER BY hour",
        (series, start // _IN_HOUR, -(-end // _IN_HOUR)),
    )
    parts = [
        _minutes_of(some, start, end, columns)
        for some in iter(lambda: cursor.fetchmany(_MOST_HOURS), [])
    ]
    return concatenated_buckets(parts) if parts else empty_buckets(MINUTE_US)


def _minutes_of(
    packed: Sequence[tuple[int, bytes]], start: int, end: int, columns: Collection[str]
) -> Buckets:
    """The rollups of some packed hours, of the minutes in [start, end)."""
    rows = np.frombuffer(b"".join([_unpacked(*one) for one in packed]), _HOUR)
    hours = np.array([hour for hour, _ in packed], np.int64)
    minute = hours[:, None] * _IN_HOUR + np.arange(_IN_HOUR)
    there = (rows["n"] > 0) & (minute >= start) & (minute < end)
    count = rows["n"][there].astype(np.int64)
    unknown = np.full(len(count), np.nan)
    total, low, high, first, last = (
        rows[name][there] if name in columns else unknown for name in _COLUMNS
    )
    return Buckets(minute[there] * MINUTE_US, MINUTE_US, count, total, low, high, first, last)


def damaged(connection: sqlite3.Connection) -> Iterator[tuple[int, int]]:
    """Unpack all; series and hour of what is damaged, though the file's structure is sound."""
    for series, hour, body in connection.execute("SELECT series, hour, body FROM rollup_minute"):
        try:
            _unpacked(hour, body)
        except DamagedRollupsError:
            yield series, hour


def _unpacked(hour: int, body: bytes) -> bytes:
    try:
        if len(body) > _MOST_BYTES:
            raise UnpackError(f"takes {len(body)} bytes; allowed: up to {_MOST_BYTES}")
        plain = zlib.decompress(body, bufsize=_HOUR.itemsize)
        if len(plain) != _HOUR.itemsize:
            raise UnpackError(f"holds {len(plain)} bytes; allowed: {_HOUR.itemsize}")
    except (UnpackError, zlib.error, TypeError) as error:
        raise DamagedRollupsError(str(damage("rollups", hour, error))) from error
    return plain
