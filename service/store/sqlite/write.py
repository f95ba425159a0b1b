"""Writing one batch of readings, and deleting, inside a transaction that the caller holds."""

from __future__ import annotations

import sqlite3
from bisect import bisect_left
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from operator import itemgetter

from service.store.model import NOT_USABLE, Reading
from service.store.sqlite import block, rollup
from service.store.sqlite.block import HOUR_US, ReadingRow

_UNUSABLE = int(NOT_USABLE)


@dataclass(frozen=True, slots=True)
class _StoredSeries:
    """What is stored of one series: its id and the time of its newest reading (-1: none)."""

    id: int
    last_us: int


def write_batch(connection: sqlite3.Connection, readings: Sequence[Reading]) -> int:
    """Write readings and the rollups they change; returns how many were older than retention.

    Those older than what retention has deleted are left out: the rollups of that time can no
    longer be computed anew, and the next pruning would delete the readings anyway.
    """
    horizon_us = retained_from_us(connection)
    by_names: dict[tuple[str, str, str], dict[int, ReadingRow]] = {}
    left_out = 0
    for r in readings:
        if r.time_us < horizon_us:
            left_out += 1
            continue
        rows = by_names.setdefault((r.tank, r.quantity, r.sensor), {})
        # Of two readings at one time the later in the batch stays.
        rows[r.time_us] = (r.time_us, r.value, int(r.flags), r.raw)
    newer: dict[_StoredSeries, list[ReadingRow]] = {}
    for names, by_time in by_names.items():
        series = _stored_series(connection, names)
        rows_by_time = sorted(by_time.values())
        if rows_by_time[0][0] > series.last_us:
            newer[series] = rows_by_time
        else:
            _rewrite(connection, series, rows_by_time)
    _append(connection, newer)
    return left_out


def retained_from_us(connection: sqlite3.Connection) -> int:
    """The time before which retention has deleted readings; 0 when it never has."""
    (time_us,) = connection.execute(
        "SELECT coalesce(max(retained_from), 0) FROM retention WHERE level = 'raw'"
    ).fetchone()
    return int(time_us)


def _stored_series(connection: sqlite3.Connection, names: tuple[str, str, str]) -> _StoredSeries:
    query = "SELECT id, last FROM series WHERE tank = ? AND quantity = ? AND sensor = ?"
    row = connection.execute(query, names).fetchone()
    if row is None:
        connection.execute("INSERT INTO series (tank, quantity, sensor) VALUES (?, ?, ?)", names)
        row = connection.execute(query, names).fetchone()
    return _StoredSeries(row[0], -1 if row[1] is None else row[1])


def _append(connection: sqlite3.Connection, newer: dict[_StoredSeries, list[ReadingRow]]) -> None:
    """Insert readings that are newer than all that their series hold."""
    connection.executemany(
        "INSERT INTO reading (series, time, value, flags, raw) VALUES (?, ?, ?, ?, ?)",
        [
            (series.id, *row)
            for series, rows in newer.items()
            for row in _without_past(connection, series, rows)[0]
        ],
    )
    _count_in(
        connection,
        ((len(rows), rows[0][0], rows[-1][0], series.id) for series, rows in newer.items()),
    )
    rollup.append(
        connection,
        {
            series.id: [(row[0], row[1]) for row in rows if not row[2] & _UNUSABLE]
            for series, rows in newer.items()
        },
    )


def _rewrite(connection: sqlite3.Connection, series: _StoredSeries, rows: list[ReadingRow]) -> None:
    """Insert or replace readings that may be there already or lie between others."""
    present, packed = _without_past(connection, series, rows)
    inserted = (
        connection.executemany(
            "INSERT INTO reading (series, time, value, flags, raw) VALUES (?, ?, ?, ?, ?) "
            "ON CONFLICT (series, time) DO NOTHING",
            [(series.id, *row) for row in present],
        ).rowcount
        if present
        else 0
    )
    if inserted < len(present):
        connection.executemany(
            "UPDATE reading SET value = ?3, flags = ?4, raw = ?5 WHERE series = ?1 AND time = ?2",
            [(series.id, *row) for row in present],
        )
    _count_in(connection, [(inserted + packed, rows[0][0], rows[-1][0], series.id)])
    rollup.renew(connection, series.id, (row[0] for row in rows))


def _without_past(
    connection: sqlite3.Connection, series: _StoredSeries, rows: list[ReadingRow]
) -> tuple[list[ReadingRow], int]:
    """The rows of the hour of the newest reading, once all before it are in blocks.

    Returns:
        Beside them, how many readings are new in the blocks.
    """
    newest_hour = max(series.last_us, rows[-1][0]) // HOUR_US
    first = bisect_left(rows, newest_hour * HOUR_US, key=itemgetter(0))
    if not first and series.last_us // HOUR_US in (newest_hour, -1):
        return rows, 0
    return rows[first:], block.put(connection, series.id, newest_hour, rows[:first])


def _count_in(connection: sqlite3.Connection, counts: Iterable[tuple[int, int, int, int]]) -> None:
    connection.executemany(
        "UPDATE series SET readings = readings + ?1, first = min(coalesce(first, ?2), ?2), "
        "last = max(coalesce(last, ?3), ?3) WHERE id = ?4",
        counts,
    )


def delete_tank(connection: sqlite3.Connection, tank: str) -> int:
    """Delete a tank's readings and rollups; returns how many readings there were.

    Its series stay named, without readings, so that an id never comes to mean another series.
    """
    chosen = "(SELECT id FROM series WHERE tank = ?)"
    for level in rollup.LEVELS:
        connection.execute(f"DELETE FROM {level.table} WHERE series IN {chosen}", (tank,))
    (packed,) = connection.execute(
        f"SELECT coalesce(sum(readings), 0) FROM block WHERE series IN {chosen}", (tank,)
    ).fetchone()
    connection.execute(f"DELETE FROM block WHERE series IN {chosen}", (tank,))
    rows = connection.execute(f"DELETE FROM reading WHERE series IN {chosen}", (tank,)).rowcount
    connection.execute(
        "UPDATE series SET readings = 0, first = NULL, last = NULL WHERE tank = ?", (tank,)
    )
    return int(packed) + rows
