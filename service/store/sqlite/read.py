"""Questions to the readings themselves, on a connection that the caller holds."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Collection, Sequence
from dataclasses import replace
from typing import Any

from service.store.model import NOT_USABLE, Extent, Flag, Reading, Samples, SeriesInfo, SeriesKey
from service.store.sqlite import block, file

_ID = "(SELECT id FROM series WHERE tank = ? AND quantity = ? AND sensor = ?)"

_OF_TANKS = "WHERE s.tank IN (SELECT value FROM json_each(?))"

_NEWEST = (
    f"SELECT time, value, flags, raw FROM reading WHERE series = {_ID} AND flags & ? = 0 "
    "ORDER BY time DESC LIMIT 1"
)


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
    rows = connection.execute(
        "SELECT s.tank, s.quantity, s.sensor, r.time, r.value, r.flags, r.raw "
        f"FROM series s JOIN reading r ON r.series = s.id AND r.time = s.last {chosen} "
        "ORDER BY s.tank, s.quantity, s.sensor",
        given,
    ).fetchall()
    keys = [SeriesKey(*row[:3]) for row in rows]
    return [SeriesInfo(key, _reading(key, row[3:])) for key, row in zip(keys, rows, strict=True)]


def extent(connection: sqlite3.Connection, key: SeriesKey) -> Extent | None:
    """How much a series holds; see ``Store.extent``."""
    row = connection.execute(
        "SELECT readings, first, last FROM series "
        "WHERE tank = ? AND quantity = ? AND sensor = ? AND readings > 0",
        _names(key),
    ).fetchone()
    return None if row is None else Extent(*row)


def latest(connection: sqlite3.Connection, key: SeriesKey, *, flagged: bool) -> Reading | None:
    """The newest reading of one series; see ``Store.latest``."""
    usable = 0 if flagged else int(NOT_USABLE)
    row = connection.execute(_NEWEST, (*_names(key), usable)).fetchone()
    if row is None:  # all of the newest hour are flagged: look at the hours before it
        with file.snapshot(connection):
            row = connection.execute(_NEWEST, (*_names(key), usable)).fetchone()
            row = row or block.newest(connection, id_of(connection, key), flagged=flagged)
    return None if row is None else _reading(key, row)


def _names(key: SeriesKey) -> tuple[str, str, str]:
    return key.tank, key.quantity, key.sensor


def _reading(key: SeriesKey, row: Sequence[Any]) -> Reading:
    time_us, value, flags, raw = row
    return Reading(key.tank, key.quantity, key.sensor, time_us, value, Flag(flags), raw)
