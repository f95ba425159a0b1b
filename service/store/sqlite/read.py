"""Questions to the readings themselves, on a connection that the caller holds."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Collection
from dataclasses import replace

from service.store.model import Extent, Flag, Reading, Samples, SeriesInfo, SeriesKey
from service.store.sqlite import block, file, open_hour
from service.store.sqlite.open_hour import ReadingRow

_ID = "(SELECT id FROM series WHERE tank = ? AND quantity = ? AND sensor = ?)"

_OF_TANKS = "WHERE tank IN (SELECT value FROM json_each(?))"


def id_of(connection: sqlite3.Connection, key: SeriesKey) -> int:
    """The number of a series; -1, which no series has, where it is not stored."""
    (found,) = connection.execute(f"SELECT {_ID}", _names(key)).fetchone()
    return -1 if found is None else int(found)


def samples(
    connection: sqlite3.Connection,
    key: SeriesKey,
    start_us: int,
    end_us: int,
    *,
    flagged: bool,
    raw: bool,
) -> Samples:
    """Readings of one series in [start_us, end_us); see ``Store.read``."""
    with file.snapshot(connection):
        found = block.samples(connection, id_of(connection, key), start_us, end_us)
    found = found if flagged else found.usable()
    return found if raw else replace(found, raw=None)


def series(
    connection: sqlite3.Connection, tanks: Collection[str] | None = None
) -> list[SeriesInfo]:
    """The series of some tanks or all, each with its newest reading; see ``Store.series``."""
    # Not "? IS NULL OR …": that reads the series of all tanks, however few are asked for.
    chosen, given = ("", ()) if tanks is None else (_OF_TANKS, (json.dumps([*tanks]),))
    with file.snapshot(connection):
        rows = connection.execute(
            f"SELECT id, tank, quantity, sensor FROM series {chosen} "
            "ORDER BY tank, quantity, sensor",
            given,
        ).fetchall()
        found = [(SeriesKey(*names), _newest(connection, id, flagged=True)) for id, *names in rows]
    return [SeriesInfo(key, _reading(key, row)) for key, row in found if row is not None]


def extent(connection: sqlite3.Connection, key: SeriesKey) -> Extent | None:
    """How much a series holds; see ``Store.extent``."""
    with file.snapshot(connection):
        row = connection.execute(
            "SELECT id, readings, first, last FROM series "
            "WHERE tank = ? AND quantity = ? AND sensor = ?",
            _names(key),
        ).fetchone()
        if row is None:
            return None
        id, packed, first_us, last_us = row
        count, *opened = open_hour.extent(connection, id)
    if not packed + count:
        return None
    times = [one for one in (first_us, last_us, *opened) if one is not None]
    return Extent(packed + count, times[0], times[-1])


def latest(connection: sqlite3.Connection, key: SeriesKey, *, flagged: bool) -> Reading | None:
    """The newest reading of one series; see ``Store.latest``."""
    with file.snapshot(connection):
        row = _newest(connection, id_of(connection, key), flagged=flagged)
    return None if row is None else _reading(key, row)


def _newest(connection: sqlite3.Connection, series: int, *, flagged: bool) -> ReadingRow | None:
    """The newest reading, of an hour in the past where the open hour has none of that kind."""
    found = open_hour.newest(connection, series, flagged=flagged)
    return found or block.newest(connection, series, flagged=flagged)


def _names(key: SeriesKey) -> tuple[str, str, str]:
    return key.tank, key.quantity, key.sensor


def _reading(key: SeriesKey, row: ReadingRow) -> Reading:
    time_us, value, flags, raw = row
    return Reading(key.tank, key.quantity, key.sensor, time_us, value, Flag(flags), raw)
