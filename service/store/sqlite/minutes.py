"""Rollups per minute of the hours of a series that are packed, those of an hour in one row.

A row holds its hour's sixty minutes column by column, compressed (zlib, RFC 1950, whose checksum
finds what was damaged): some hundred bytes, and eight days are read in 192 rows. An hour of few
readings, each alone in its minute, is stored as the minutes and values of these and a CRC-32, as
unpacking sixty minutes takes longer than reading such rows. What is damaged is computed anew from
its readings (``upkeep``). Whoever writes holds a transaction.
"""

from __future__ import annotations

import sqlite3
import zlib
from collections.abc import Collection, Iterator, Sequence
from itertools import islice, pairwise
from typing import Final

import numpy as np
import numpy.typing as npt

from service.errors import StoreUnavailableError
from service.science.numeric.sets import numbered
from service.store.buckets import concatenated_buckets, empty_buckets, sorted_buckets
from service.store.model import Buckets
from service.store.sqlite.packing import UnpackError, damage

IntArray = npt.NDArray[np.int64]
_Packed = tuple[int, bytes]
"""The number of an hour, and the body of its row."""

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
#: A minute since 1970 with one reading, which is its lowest, highest, first, last and their sum.
_SINGLE: Final = np.dtype([("minute", "<u4"), ("value", "<f8")])
#: What an hour of such minutes begins with; one that is compressed begins with 0x78.
_SINGLES: Final = b"\x01"
_MOST_SINGLES: Final = 12
"""Of an hour; more are shorter when they are compressed."""
_CRC_BYTES: Final = 4
_INTACT: Final = zlib.crc32(zlib.crc32(b"").to_bytes(_CRC_BYTES, "little"))
"""The CRC-32 of whatever ends with its own CRC-32."""
#: Bytes, whatever damage has made of it.
_BODY: Final = "CAST(body AS BLOB)"
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
    numbers, row = numbered(minutes.start_us // HOUR_US)
    counts = np.bincount(row)
    bodies = _packed(minutes, row, counts)
    connection.executemany(
        "INSERT INTO rollup_minute (series, hour, minutes, body) VALUES (?, ?, ?, ?)",
        (
            (series, number, count, body)
            for number, count, body in zip(numbers.tolist(), counts.tolist(), bodies, strict=True)
        ),
    )


def _packed(
    minutes: Buckets, row: npt.NDArray[np.intp], counts: npt.NDArray[np.intp]
) -> Iterator[bytes]:
    """The bodies of hours, one after the other.

    Args:
        row: for each minute, which of the hours it is of.
        counts: how many minutes each hour has.
    """
    columns = (minutes.sum, minutes.min, minutes.max, minutes.first, minutes.last)
    minute = minutes.start_us // MINUTE_US
    rows = np.zeros(len(counts), _HOUR)
    rows["n"][row, minute % _IN_HOUR] = minutes.count
    alone = minutes.count == 1
    for name, column in zip(_COLUMNS, columns, strict=True):
        rows[name][row, minute % _IN_HOUR] = column
        alone &= column.view(np.int64) == minutes.first.view(np.int64)  # so that -0.0 is not 0.0
    few = (counts <= _MOST_SINGLES) & (np.bincount(row, alone) == counts)
    singles = np.empty(len(minute), _SINGLE)
    singles["minute"], singles["value"] = minute, minutes.first
    bounds = pairwise([0, *np.cumsum(counts).tolist()])
    for body, as_singles, (first, end) in zip(rows, few.tolist(), bounds, strict=True):
        if as_singles:
            plain = _SINGLES + singles[first:end].tobytes()
            yield plain + zlib.crc32(plain).to_bytes(_CRC_BYTES, "little")
        else:
            yield zlib.compress(body.tobytes())


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
        f"SELECT hour, {_BODY} FROM rollup_minute WHERE series = ? AND hour >= ? AND hour < ? "
        "ORDER BY hour",
        (series, start // _IN_HOUR, -(-end // _IN_HOUR)),
    )
    parts = [
        _minutes_of(some, start, end, columns)
        for some in iter(lambda: cursor.fetchmany(_MOST_HOURS), [])
    ]
    return concatenated_buckets(parts) if parts else empty_buckets(MINUTE_US)


def _minutes_of(
    packed: Sequence[_Packed], start: int, end: int, columns: Collection[str]
) -> Buckets:
    """The rollups of some packed hours, of the minutes in [start, end)."""
    singles = [one for one in packed if one[1][:1] == _SINGLES]
    if not singles:
        return _of_sixty(packed, start, end, columns)
    found = _of_singles(singles, start, end, columns)
    if len(singles) == len(packed):
        return found
    others = [one for one in packed if one[1][:1] != _SINGLES]
    return sorted_buckets((found, _of_sixty(others, start, end, columns)))


def _of_sixty(packed: Sequence[_Packed], start: int, end: int, columns: Collection[str]) -> Buckets:
    rows = np.frombuffer(b"".join([_decompressed(*one) for one in packed]), _HOUR)
    hours = np.array([hour for hour, _ in packed], np.int64)
    minute = hours[:, None] * _IN_HOUR + np.arange(_IN_HOUR)
    there = (rows["n"] > 0) & (minute >= start) & (minute < end)
    count = rows["n"][there].astype(np.int64)
    unknown = np.full(len(count), np.nan)
    total, low, high, first, last = (
        rows[name][there] if name in columns else unknown for name in _COLUMNS
    )
    return Buckets(minute[there] * MINUTE_US, MINUTE_US, count, total, low, high, first, last)


def _of_singles(
    packed: Sequence[_Packed], start: int, end: int, columns: Collection[str]
) -> Buckets:
    bodies = [body for _, body in packed]
    if set(map(zlib.crc32, bodies)) != {_INTACT}:
        for one in packed:
            _require_intact(*one)
    rows = np.frombuffer(b"".join([body[1:-_CRC_BYTES] for body in bodies]), _SINGLE)
    first, last = np.searchsorted(rows["minute"], (start, end)).tolist()
    minute = rows["minute"][first:last].astype(np.int64)
    value = rows["value"][first:last].astype(np.float64)
    unknown = np.full(len(value), np.nan)
    filled = (value if name in columns else unknown for name in _COLUMNS)
    return Buckets(minute * MINUTE_US, MINUTE_US, np.ones(len(value), np.int64), *filled)


def damaged(
    connection: sqlite3.Connection, after: tuple[int, int], most: int
) -> list[tuple[int, int]]:
    """Unpack all; series and hour of what is damaged, though the file's structure is sound.

    Args:
        after: series and hour behind which to begin.
        most: as many are looked for.
    """
    rows = connection.execute(
        f"SELECT series, hour, {_BODY} FROM rollup_minute WHERE (series, hour) > (?, ?) "
        "ORDER BY series, hour",
        after,
    )
    found = list(islice(((one, hour) for one, hour, body in rows if _is_damaged(hour, body)), most))
    rows.close()
    return found


def is_damaged(connection: sqlite3.Connection, series: int, hour: int) -> bool:
    """Whether the rollups of an hour are there, and damaged."""
    row = connection.execute(
        f"SELECT hour, {_BODY} FROM rollup_minute WHERE series = ? AND hour = ?", (series, hour)
    ).fetchone()
    return row is not None and _is_damaged(*row)


def _is_damaged(hour: int, body: bytes) -> bool:
    try:
        if body[:1] == _SINGLES:
            _require_intact(hour, body)
        else:
            _decompressed(hour, body)
    except DamagedRollupsError:
        return True
    return False


def _require_intact(hour: int, body: bytes) -> None:
    if zlib.crc32(body) != _INTACT:
        raise _damaged(hour, UnpackError("differs from its checksum"))


def _decompressed(hour: int, body: bytes) -> bytes:
    try:
        if len(body) > _MOST_BYTES:
            raise UnpackError(f"takes {len(body)} bytes; allowed: up to {_MOST_BYTES}")
        plain = zlib.decompress(body, bufsize=_HOUR.itemsize)
        if len(plain) != _HOUR.itemsize:
            raise UnpackError(f"holds {len(plain)} bytes; allowed: {_HOUR.itemsize}")
    except (UnpackError, zlib.error) as error:
        raise _damaged(hour, error) from error
    return plain


def _damaged(hour: int, fault: Exception) -> DamagedRollupsError:
    return DamagedRollupsError(str(damage("rollups", hour, fault)))
