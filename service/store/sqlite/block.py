"""Blocks: the readings of one series in one hour (UTC) before its newest, in one row.

The table ``reading`` has the hour of each series' newest reading, ``block`` all before it; no
reading stands in both. A reading of a past hour, late or written again, is put into its block.
Whoever writes holds a transaction.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator, Sequence
from itertools import groupby
from typing import Final

import numpy as np

from service.store.model import NOT_USABLE, Samples
from service.store.sqlite.packing import UnpackError, pack, unpack

HOUR_US: Final = 3_600_000_000

SCHEMA: Final = """
CREATE TABLE block (
  series INTEGER NOT NULL REFERENCES series (id),
  hour INTEGER NOT NULL,
  readings INTEGER NOT NULL,
  usable INTEGER NOT NULL,
  body BLOB NOT NULL,
  PRIMARY KEY (series, hour)
) WITHOUT ROWID;
"""

#: time in microseconds, value, flags, raw
ReadingRow = tuple[int, float, int, float | None]
_ROW: Final = np.dtype(
    [("time", np.int64), ("value", np.float64), ("flags", np.int32), ("raw", np.float64)]
)
#: Rows packed in one go: bounds the memory that a long stretch takes.
_MOST_ROWS: Final = 50_000
_NONE: Final = float("nan")


def samples(connection: sqlite3.Connection, series: int, start_us: int, end_us: int) -> Samples:
    """Readings of a series in [start_us, end_us), flagged ones too, from blocks and rows.

    Args:
        connection: in a transaction, so that both are of one state of the file.
    """
    parts = [found for _, found in _stored(connection, series, start_us, end_us)]
    rows = connection.execute(
        # No number before calibration is infinite, and none can be NULL in an array.
        "SELECT time, value, flags, ifnull(raw, 9e999) FROM reading "
        "WHERE series = ? AND time >= ? AND time < ? ORDER BY time",
        (series, start_us, end_us),
    )
    parts.append(_of_array(np.fromiter(rows, _ROW)))
    return _between(_joined(parts), start_us, end_us)


def put(
    connection: sqlite3.Connection, series: int, newest_hour: int, rows: Sequence[ReadingRow]
) -> int:
    """Put readings into the blocks of their hours, and rows there are of hours before the newest.

    Args:
        newest_hour: number of the hour of the series' newest reading.
        rows: sorted by time, all of hours before the newest.

    Returns:
        How many of the rows were not there before.
    """
    _pack_rows(connection, series, newest_hour * HOUR_US)
    return sum(
        _add(connection, series, hour, _of_rows(list(group)))
        for hour, group in groupby(rows, lambda row: row[0] // HOUR_US)
    )


def minutes(connection: sqlite3.Connection, series: int, width_us: int) -> set[int]:
    """Numbers of the spans of a length, a divisor of an hour, in which blocks have readings."""
    found: set[int] = set()
    for _, one in _stored(connection, series, 0, 2**62):
        found.update(np.unique(one.time_us // width_us).tolist())
    return found


def newest(connection: sqlite3.Connection, series: int, *, flagged: bool) -> ReadingRow | None:
    """The newest reading of the blocks of a series, usable unless ``flagged``."""
    row = connection.execute(
        "SELECT hour, readings, body FROM block WHERE series = ? AND (? OR usable > 0) "
        "ORDER BY hour DESC LIMIT 1",
        (series, flagged),
    ).fetchone()
    if row is None:
        return None
    found = _unpacked(*row)
    found = found if flagged else found.usable()
    assert found.raw is not None
    raw = float(found.raw[-1])
    return (
        int(found.time_us[-1]),
        float(found.value[-1]),
        int(found.flags[-1]),
        None if np.isnan(raw) else raw,
    )


def first_us(connection: sqlite3.Connection, series: int) -> int | None:
    """When the oldest reading of a series was measured; None if there is none."""
    row = connection.execute(
        "SELECT hour, readings, body FROM block WHERE series = ? ORDER BY hour LIMIT 1", (series,)
    ).fetchone()
    if row is not None:
        return int(_unpacked(*row).time_us[0])
    (found,) = connection.execute(
        "SELECT min(time) FROM reading WHERE series = ?", (series,)
    ).fetchone()
    return None if found is None else int(found)


def check(connection: sqlite3.Connection) -> None:
    """Unpack all blocks, which finds damage that leaves the file's structure sound.

    Raises:
        sqlite3.DatabaseError: one is damaged; says which hour.
    """
    for row in connection.execute("SELECT hour, readings, body FROM block"):
        _unpacked(*row)


def _pack_rows(connection: sqlite3.Connection, series: int, end_us: int) -> None:
    """Move the rows of a series before a time, the end of an hour, into blocks."""
    while True:
        rows = connection.execute(
            "SELECT time, value, flags, raw FROM reading WHERE series = ? AND time < ? "
            "ORDER BY time LIMIT ?",
            (series, end_us, _MOST_ROWS),
        ).fetchall()
        if not rows:
            return
        for hour, group in groupby(rows, lambda row: row[0] // HOUR_US):
            _add(connection, series, hour, _of_rows(list(group)))
        connection.execute(
            "DELETE FROM reading WHERE series = ? AND time <= ?", (series, rows[-1][0])
        )


def _add(connection: sqlite3.Connection, series: int, hour: int, fresh: Samples) -> int:
    """Add readings to the block of their hour; those at the same time are replaced."""
    row = connection.execute(
        "SELECT hour, readings, body FROM block WHERE series = ? AND hour = ?", (series, hour)
    ).fetchone()
    before, merged = 0, fresh
    if row is not None:
        before, merged = row[1], _merged(_unpacked(*row), fresh)
    usable = int(np.count_nonzero(merged.flags & int(NOT_USABLE) == 0))
    connection.execute(
        "INSERT OR REPLACE INTO block (series, hour, readings, usable, body) "
        "VALUES (?, ?, ?, ?, ?)",
        (series, hour, len(merged), usable, pack(merged, hour * HOUR_US)),
    )
    return len(merged) - before


def _stored(
    connection: sqlite3.Connection, series: int, start_us: int, end_us: int
) -> Iterator[tuple[int, Samples]]:
    """Hours of a series that reach into a span, and their readings."""
    rows = connection.execute(
        "SELECT hour, readings, body FROM block WHERE series = ? AND hour >= ? AND hour < ? "
        "ORDER BY hour",
        (series, start_us // HOUR_US, -(-end_us // HOUR_US)),
    )
    for hour, readings, body in rows:
        yield hour, _unpacked(hour, readings, body)


def _unpacked(hour: int, readings: int, body: bytes) -> Samples:
    try:
        return unpack(body, hour * HOUR_US, readings)
    except UnpackError as error:
        start = np.datetime64(hour, "h")
        damage = sqlite3.DatabaseError(f"packed readings of the hour from {start} UTC: {error}")
        damage.sqlite_errorcode = sqlite3.SQLITE_CORRUPT
        raise damage from error


def _of_rows(rows: Sequence[ReadingRow]) -> Samples:
    time_us, value, flags, raw = zip(*rows, strict=True)
    return Samples(
        np.array(time_us, np.int64),
        np.array(value, np.float64),
        np.array(flags, np.int32),
        np.array([_NONE if one is None else one for one in raw], np.float64),
    )


def _of_array(rows: np.ndarray[tuple[int], np.dtype[np.void]]) -> Samples:
    raw = np.where(np.isinf(rows["raw"]), np.nan, rows["raw"])
    time_us, value, flags = (
        np.ascontiguousarray(rows[name]) for name in ("time", "value", "flags")
    )
    return Samples(time_us, value, flags, raw)


def _joined(parts: Sequence[Samples]) -> Samples:
    return Samples(
        np.concatenate([one.time_us for one in parts]),
        np.concatenate([one.value for one in parts]),
        np.concatenate([one.flags for one in parts]),
        np.concatenate([one.raw for one in parts if one.raw is not None]),
    )


def _between(found: Samples, start_us: int, end_us: int) -> Samples:
    first, end = np.searchsorted(found.time_us, (start_us, end_us)).tolist()
    return _taken(found, slice(first, end))


def _merged(old: Samples, fresh: Samples) -> Samples:
    """Both, sorted by time; of two at one time the fresh one."""
    both = _joined([old, fresh])
    order = np.argsort(both.time_us, kind="stable")
    time_us = both.time_us[order]
    return _taken(both, order[np.append(time_us[1:] != time_us[:-1], True)])


def _taken(found: Samples, which: slice | np.ndarray[tuple[int], np.dtype[np.intp]]) -> Samples:
    assert found.raw is not None
    return Samples(found.time_us[which], found.value[which], found.flags[which], found.raw[which])
