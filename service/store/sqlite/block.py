"""Blocks: the readings of one series in one hour (UTC) before its open hour, in one row.

The open hour, that of the newest reading, is in rows (``open_hour``), and each hour before in a
block, with its rollups; no reading stands in both. Of a quick sensor the earlier part of the open
hour is in a block too: all rows are later than all that is in blocks. A reading of that past, late
or written again, is put into its block. Whoever writes holds a transaction.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator, Sequence
from itertools import islice, pairwise
from typing import Final

import numpy as np

from service.store.model import NOT_USABLE, Samples
from service.store.sqlite import open_hour, rollup
from service.store.sqlite.minutes import HOUR_US
from service.store.sqlite.open_hour import ReadingRow
from service.store.sqlite.packing import UnpackError, damage, pack, unpack

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

#: Hours unpacked at once where all are read: bounds the memory.
_MOST_HOURS: Final = 200


def samples(connection: sqlite3.Connection, series: int, start_us: int, end_us: int) -> Samples:
    """Readings of a series in [start_us, end_us), flagged ones too, from blocks and open hour.

    Args:
        connection: in a transaction, so that both are of one state of the file.
    """
    parts = [found for _, found in _stored(connection, series, start_us, end_us)]
    parts.append(open_hour.samples(connection, series, start_us, end_us))
    return _between(_joined(parts), start_us, end_us)


def pack_rows(connection: sqlite3.Connection, series: int) -> None:
    """Put the rows that a series has of its open hour into the block of that hour."""
    readings = open_hour.samples(connection, series, 0, 2**62)
    if len(readings):
        open_hour.delete(connection, series)
        put(connection, series, readings)


def put(connection: sqlite3.Connection, series: int, fresh: Samples) -> None:
    """Put readings into the blocks of their hours, with rollups; one at the same time is replaced.

    Args:
        fresh: sorted by time, each time once, at least one, all before the rows of the open hour.
    """
    hours = fresh.time_us // HOUR_US
    bounds = [0, *(np.flatnonzero(np.diff(hours)) + 1).tolist(), len(hours)]
    put_in: list[Samples] = []
    added = 0
    for first, end in pairwise(bounds):
        count, merged = _add(connection, series, int(hours[first]), fresh.taken(slice(first, end)))
        added += count
        put_in.append(merged)
    connection.execute(
        "UPDATE series SET readings = readings + ?1, first = min(coalesce(first, ?2), ?2), "
        "last = max(coalesce(last, ?3), ?3) WHERE id = ?4",
        (added, int(fresh.time_us[0]), int(fresh.time_us[-1]), series),
    )
    rollup.replace(connection, series, hours[bounds[:-1]], _joined(put_in).usable())


def renew_rollups(connection: sqlite3.Connection, series: int, start_us: int) -> None:
    """Compute the rollups of a series anew from the blocks since the start of a day."""
    rollup.delete(connection, series, start_us)
    stored = _stored(connection, series, start_us, 2**62)
    while some := list(islice(stored, _MOST_HOURS)):
        hours = np.array([hour for hour, _ in some], np.int64)
        rollup.replace(connection, series, hours, _joined([one for _, one in some]).usable())


def renew_rollups_of_hour(connection: sqlite3.Connection, series: int, hour: int) -> None:
    """Compute the rollups of one hour of a series anew from its block.

    Raises:
        sqlite3.DatabaseError: there is none, as retention has deleted it.
    """
    stored = [one for _, one in _stored(connection, series, hour * HOUR_US, (hour + 1) * HOUR_US)]
    if not stored:
        raise damage("rollups", hour, UnpackError("their readings are deleted"))
    rollup.replace(connection, series, np.array([hour], np.int64), stored[0].usable())


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
    """When the oldest reading of the blocks of a series was measured; None if there is none."""
    row = connection.execute(
        "SELECT hour, readings, body FROM block WHERE series = ? ORDER BY hour LIMIT 1", (series,)
    ).fetchone()
    return None if row is None else int(_unpacked(*row).time_us[0])


def check(connection: sqlite3.Connection) -> None:
    """Unpack all blocks, which finds damage that leaves the file's structure sound.

    Raises:
        sqlite3.DatabaseError: one is damaged; says which hour.
    """
    for row in connection.execute("SELECT hour, readings, body FROM block"):
        _unpacked(*row)


def _add(
    connection: sqlite3.Connection, series: int, hour: int, fresh: Samples
) -> tuple[int, Samples]:
    """Add readings to the block of their hour; returns how many are new, and all of it now."""
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
    return len(merged) - before, merged


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
        raise damage("readings", hour, error) from error


def _joined(parts: Sequence[Samples]) -> Samples:
    return Samples(
        np.concatenate([one.time_us for one in parts]),
        np.concatenate([one.value for one in parts]),
        np.concatenate([one.flags for one in parts]),
        np.concatenate([one.raw for one in parts if one.raw is not None]),
    )


def _between(found: Samples, start_us: int, end_us: int) -> Samples:
    first, end = np.searchsorted(found.time_us, (start_us, end_us)).tolist()
    return found.taken(slice(first, end))


def _merged(old: Samples, fresh: Samples) -> Samples:
    """Both, sorted by time; of two at one time the fresh one."""
    both = _joined([old, fresh])
    order = np.argsort(both.time_us, kind="stable")
    time_us = both.time_us[order]
    return both.taken(order[np.append(time_us[1:] != time_us[:-1], True)])
