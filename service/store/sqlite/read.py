"""Questions to the readings themselves, on a connection that the caller holds."""

from __future__ import annotations

import sqlite3
from collections.abc import Sequence
from typing import Any, TypeVar

import numpy as np
import numpy.typing as npt

from service.store.model import NOT_USABLE, Extent, Flag, Reading, Samples, SeriesInfo, SeriesKey
from service.store.sqlite import file

_ID = "(SELECT id FROM series WHERE tank = ? AND quantity = ? AND sensor = ?)"
_READ = (
    f"SELECT time, {{}} FROM reading WHERE series = {_ID} AND time >= ? AND time < ? "
    "AND flags & ? = 0 AND {} ORDER BY time"
)
_PAIR = np.dtype([("time", np.int64), ("value", np.float64)])
_Scalar = TypeVar("_Scalar", np.int32, np.float64)


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
    chosen = (*_names(key), start_us, end_us, 0 if flagged else int(NOT_USABLE))
    with file.snapshot(connection):
        rows = np.fromiter(connection.execute(_READ.format("value", "TRUE"), chosen), _PAIR)
        time_us = np.ascontiguousarray(rows["time"])
        value = np.ascontiguousarray(rows["value"])
        # Nearly all flags are 0 and raw numbers none: to ask for the few apart is faster.
        few = connection.execute(_READ.format("flags", "flags <> 0"), chosen)
        flags = _spread(few, time_us, np.int32(0))
        if not raw:
            return Samples(time_us, value, flags)
        few = connection.execute(_READ.format("raw", "raw IS NOT NULL"), chosen)
        return Samples(time_us, value, flags, _spread(few, time_us, np.float64("nan")))


def series(connection: sqlite3.Connection, tank: str | None) -> list[SeriesInfo]:
    """The series stored, each with its newest reading; see ``Store.series``."""
    rows = connection.execute(
        "SELECT s.tank, s.quantity, s.sensor, r.time, r.value, r.flags, r.raw "
        "FROM series s JOIN reading r ON r.series = s.id AND r.time = s.last "
        "WHERE ?1 IS NULL OR s.tank = ?1 ORDER BY s.tank, s.quantity, s.sensor",
        (tank,),
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
    row = connection.execute(
        f"SELECT time, value, flags, raw FROM reading WHERE series = {_ID} "
        "AND flags & ? = 0 ORDER BY time DESC LIMIT 1",
        (*_names(key), 0 if flagged else int(NOT_USABLE)),
    ).fetchone()
    return None if row is None else _reading(key, row)


def _names(key: SeriesKey) -> tuple[str, str, str]:
    return key.tank, key.quantity, key.sensor


def _spread(
    few: sqlite3.Cursor, time_us: npt.NDArray[np.int64], usual: _Scalar
) -> npt.NDArray[_Scalar]:
    """A column for all times from the few rows (time, number) in which it is not the usual."""
    rows = np.fromiter(few, np.dtype([("time", np.int64), ("number", usual.dtype)]))
    spread = np.full(len(time_us), usual)
    spread[np.searchsorted(time_us, rows["time"])] = rows["number"]
    return spread


def _reading(key: SeriesKey, row: Sequence[Any]) -> Reading:
    time_us, value, flags, raw = row
    return Reading(key.tank, key.quantity, key.sensor, time_us, value, Flag(flags), raw)
