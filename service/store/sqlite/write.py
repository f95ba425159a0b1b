"""Writing one batch of readings, and deleting, inside a transaction that the caller holds."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from itertools import pairwise
from typing import Final

import numpy as np

from service.store.columns import ReadingColumns
from service.store.model import Samples, SeriesKey
from service.store.sqlite import block, open_hour, rollup
from service.store.sqlite.minutes import HOUR_US

MOST_ROWS: Final = 600
"""Rows of a series in its open hour from which on they are packed: a question reads all of them.

A sensor that reports each ten seconds stays below, and is packed once an hour.
"""

#: Counting rows takes longer than writing one: it is done once in ten minutes, and for batches
#: that have so many readings of a series.
_COUNTED_EVERY_US: Final = 600_000_000
_COUNTED_FROM: Final = 20


@dataclass(frozen=True, slots=True)
class _StoredSeries:
    """A series of the batch.

    Attributes:
        id: its number.
        closed_us: all readings before are in blocks, or have none; the rows of the open hour
            begin there.
        newest_us: the newest row of the open hour; -1 without one.
    """

    id: int
    closed_us: int
    newest_us: int


def samples_by_series(readings: ReadingColumns) -> dict[SeriesKey, Samples]:
    """The readings of each series, sorted by time; of two at one time the later in the batch."""
    raw = np.full(len(readings), np.nan) if readings.raw is None else readings.raw
    columns = Samples(readings.time_us, readings.value, readings.flags, raw)
    order = np.lexsort((readings.time_us, readings.series))  # stable
    of_series, times = readings.series[order], readings.time_us[order]
    last = np.append((of_series[1:] != of_series[:-1]) | (times[1:] != times[:-1]), True)
    columns = columns.taken(order[last])
    bounds = np.searchsorted(of_series[last], np.arange(len(readings.keys) + 1)).tolist()
    return {
        key: columns.taken(slice(first, end))
        for key, (first, end) in zip(readings.keys, pairwise(bounds), strict=True)
        if end > first
    }


def write_batch(connection: sqlite3.Connection, batch: Mapping[SeriesKey, Samples]) -> int:
    """Write readings and the rollups they change; returns how many were older than retention.

    Those older than what retention has deleted are left out: the rollups of that time can no
    longer be computed anew, and the next pruning would delete the readings anyway.

    Args:
        batch: sorted by time, each time once, with the numbers before calibration.
    """
    horizon_us = retained_from_us(connection)
    left_out = 0
    opened: list[open_hour.OpenRow] = []
    for key, samples in batch.items():
        first = int(np.searchsorted(samples.time_us, horizon_us))
        left_out += first
        if first < len(samples):
            kept = samples.taken(slice(first, len(samples)))
            series = _stored_series(connection, key)
            opened += _open_rows(series.id, _without_past(connection, series, kept))
    if opened:
        open_hour.put(connection, opened)
    return left_out


def retained_from_us(connection: sqlite3.Connection) -> int:
    """The time before which retention has deleted readings; 0 when it never has."""
    (time_us,) = connection.execute(
        "SELECT coalesce(max(retained_from), 0) FROM retention WHERE level = 'raw'"
    ).fetchone()
    return int(time_us)


def _stored_series(connection: sqlite3.Connection, key: SeriesKey) -> _StoredSeries:
    names = (key.tank, key.quantity, key.sensor)
    query = (
        f"SELECT id, coalesce(last, -1), {open_hour.NEWEST_US} FROM series s "
        "WHERE tank = ? AND quantity = ? AND sensor = ?"
    )
    row = connection.execute(query, names).fetchone()
    if row is None:
        connection.execute("INSERT INTO series (tank, quantity, sensor) VALUES (?, ?, ?)", names)
        row = connection.execute(query, names).fetchone()
    id, packed_us, open_us = row
    if open_us < 0:
        return _StoredSeries(id, (packed_us // HOUR_US + 1) * HOUR_US, open_us)
    return _StoredSeries(id, max(packed_us + 1, open_us // HOUR_US * HOUR_US), open_us)


def _without_past(
    connection: sqlite3.Connection, series: _StoredSeries, samples: Samples
) -> Samples:
    """Those that become rows of the open hour, once all before them are in blocks."""
    open_us = max(series.closed_us, int(samples.time_us[-1]) // HOUR_US * HOUR_US)
    if series.newest_us >= 0 and (
        open_us > series.closed_us or _has_too_many_rows(connection, series, samples)
    ):
        block.pack_rows(connection, series.id)
        open_us = max(open_us, series.newest_us + 1)
    first = int(np.searchsorted(samples.time_us, open_us))
    if first:
        block.put(connection, series.id, samples.taken(slice(0, first)))
    return samples.taken(slice(first, len(samples)))


def _has_too_many_rows(
    connection: sqlite3.Connection, series: _StoredSeries, samples: Samples
) -> bool:
    """Whether to pack the rows that are there, as the batch brings a newer one to stay."""
    newest_us = int(samples.time_us[-1])
    counted = (
        len(samples) >= _COUNTED_FROM
        or newest_us // _COUNTED_EVERY_US > series.newest_us // _COUNTED_EVERY_US
    )
    return (
        counted
        and newest_us > series.newest_us
        and open_hour.has_more_than(connection, series.id, MOST_ROWS)
    )


def _open_rows(series: int, samples: Samples) -> Iterator[open_hour.OpenRow]:
    assert samples.raw is not None
    columns = (samples.time_us, samples.value, samples.flags, samples.raw)
    for time_us, value, flags, raw in zip(*(one.tolist() for one in columns), strict=True):
        yield series, time_us, value, flags, raw if raw == raw else None


def delete_tank(connection: sqlite3.Connection, tank: str) -> int:
    """Delete a tank's readings and rollups; returns how many readings there were.

    Its series stay named, without readings, so that an id never comes to mean another series.
    """
    deleted = 0
    rows = connection.execute("SELECT id, readings FROM series WHERE tank = ?", (tank,)).fetchall()
    for series, packed in rows:
        deleted += packed + open_hour.delete(connection, series)
        connection.execute("DELETE FROM block WHERE series = ?", (series,))
        rollup.delete(connection, series, 0)
    connection.execute(
        "UPDATE series SET readings = 0, first = NULL, last = NULL WHERE tank = ?", (tank,)
    )
    return deleted
