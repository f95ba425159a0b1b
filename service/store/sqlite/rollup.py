"""Rollups of readings per minute, hour and day (UTC), kept in step with the packed readings.

They are written in the transaction that packs an hour, or puts late readings into it: its rollups
are computed anew from all its readings, so that the order of arrival leaves no trace. Those of the
open hour are computed from its readings when they are asked for.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Collection, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from service.science.numeric.sets import distinct
from service.store.buckets import buckets_of_samples, coarser_buckets, joined_buckets
from service.store.model import Aggregate, Buckets, Samples
from service.store.sqlite import minutes, open_hour
from service.store.sqlite.minutes import HOUR_US, MINUTE_US

IntArray = npt.NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class Level:
    """One length of span and the table of its rollups.

    Attributes:
        width_us: length of a span.
        row: the column that numbers the rows of a series.
        row_us: length of the time that a row is of.
        count: how many rollups a row has, as SQL.
    """

    name: str
    width_us: int
    row: str
    row_us: int
    count: str

    @property
    def table(self) -> str:
        """Name of the table."""
        return f"rollup_{self.name}"


HOUR: Final = Level("hour", HOUR_US, "span", HOUR_US, "1")
DAY: Final = Level("day", 24 * HOUR_US, "span", 24 * HOUR_US, "1")
MINUTE: Final = Level("minute", MINUTE_US, "hour", HOUR_US, "minutes")
LEVELS: Final = (MINUTE, HOUR, DAY)

SCHEMA: Final = minutes.SCHEMA + "".join(
    f"""
CREATE TABLE {level.table} (
  series INTEGER NOT NULL REFERENCES series (id),
  span INTEGER NOT NULL,
  n INTEGER NOT NULL,
  total REAL NOT NULL,
  low REAL NOT NULL,
  high REAL NOT NULL,
  first REAL NOT NULL,
  last REAL NOT NULL,
  PRIMARY KEY (series, span)
) WITHOUT ROWID;
"""
    for level in (HOUR, DAY)
)
_COLUMN_OF: Final[dict[Aggregate, str]] = {
    "mean": "total",
    "min": "low",
    "max": "high",
    "first": "first",
    "last": "last",
}
#: Columns of a table after ``series``, and the fields of ``Buckets`` that they have.
_COLUMNS: Final = ("span", "n", "total", "low", "high", "first", "last")


def replace(
    connection: sqlite3.Connection, series: int, hours: IntArray, readings: Samples
) -> None:
    """Replace the rollups of hours of a series, and those of their days.

    Args:
        hours: their numbers, sorted.
        readings: all usable ones of these hours, sorted by time.
    """
    by_minute = buckets_of_samples(readings, MINUTE.width_us)
    minutes.replace(connection, series, hours, by_minute)
    connection.executemany(
        f"DELETE FROM {HOUR.table} WHERE series = ? AND span = ?",
        ((series, hour) for hour in hours.tolist()),
    )
    _insert(connection, HOUR, series, coarser_buckets(by_minute, HOUR.width_us))
    days = distinct(hours // 24).tolist()
    for first, last in _runs(days):
        span_us = (first * DAY.width_us, (last + 1) * DAY.width_us)
        fresh = coarser_buckets(
            rows(connection, HOUR.table, HOUR.width_us, series, span_us), DAY.width_us
        )
        connection.execute(
            f"DELETE FROM {DAY.table} WHERE series = ? AND span BETWEEN ? AND ?",
            (series, first, last),
        )
        _insert(connection, DAY, series, fresh)


def delete(connection: sqlite3.Connection, series: int, start_us: int) -> None:
    """Delete the rollups of a series since the start of an hour; the whole day of it too."""
    for level in LEVELS:
        connection.execute(
            f"DELETE FROM {level.table} WHERE series = ? AND {level.row} >= ?",
            (series, start_us // level.row_us),
        )


def _insert(connection: sqlite3.Connection, level: Level, series: int, fresh: Buckets) -> None:
    columns = (fresh.count, fresh.sum, fresh.min, fresh.max, fresh.first, fresh.last)
    connection.executemany(
        f"INSERT INTO {level.table} VALUES ({series}, ?, ?, ?, ?, ?, ?, ?)",
        zip(
            (fresh.start_us // level.width_us).tolist(),
            *(column.tolist() for column in columns),
            strict=True,
        ),
    )


def _runs(numbers: Sequence[int]) -> list[tuple[int, int]]:
    """Neighbouring numbers of a sorted sequence as (first, last)."""
    runs: list[tuple[int, int]] = []
    for number in numbers:
        if runs and number == runs[-1][1] + 1:
            runs[-1] = (runs[-1][0], number)
        else:
            runs.append((number, number))
    return runs


def level_for(every_us: int) -> Level | None:
    """The longest spans that make up buckets of a length; None if there are none."""
    return next((level for level in reversed(LEVELS) if every_us % level.width_us == 0), None)


def read(
    connection: sqlite3.Connection,
    level: Level,
    series: int,
    span_us: tuple[int, int],
    every_us: int,
    wanted: Collection[Aggregate],
) -> Buckets:
    """Buckets of a series from the rollups of one level and the open hour's readings.

    Args:
        connection: in a transaction, so that both are of one state of the file.
        span_us: start and end, multiples of the level's width.
        every_us: a multiple of the level's width.
        wanted: the columns to fill; the others are NaN.
    """
    columns = ["span", "n", *(_COLUMN_OF[name] for name in wanted)]
    if level is MINUTE:
        packed = minutes.read(connection, series, span_us, columns)
        readings = open_hour.usable_values(connection, series, *span_us)
        opened = buckets_of_samples(readings, level.width_us)
    else:
        packed = rows(connection, level.table, level.width_us, series, span_us, columns)
        opened = open_hour.hour_of(connection, series, *span_us, level.width_us)
    if not len(opened):
        return coarser_buckets(packed, every_us)
    return joined_buckets(packed, opened, every_us)


def rows(
    connection: sqlite3.Connection,
    table: str,
    width_us: int,
    series: int,
    span_us: tuple[int, int],
    columns: Sequence[str] = _COLUMNS,
) -> Buckets:
    """The rollups of a series in a span, from a table with a row for each.

    Args:
        width_us: length of the span of a rollup.
        columns: span, n, and those that are needed; the others are NaN.
    """
    cursor = connection.execute(
        f"SELECT {', '.join(columns)} FROM {table} "
        "WHERE series = ? AND span >= ? AND span < ? ORDER BY span",
        (series, span_us[0] // width_us, span_us[1] // width_us),
    )
    types = [(name, np.int64 if name in ("span", "n") else np.float64) for name in columns]
    found = np.fromiter(cursor, dtype=np.dtype(types))
    unknown = np.full(len(found), np.nan)
    total, low, high, first, last = (
        found[name] if name in columns else unknown for name in _COLUMN_OF.values()
    )
    return Buckets(
        start_us=found["span"] * width_us,
        every_us=width_us,
        count=found["n"],
        sum=total,
        min=low,
        max=high,
        first=first,
        last=last,
    )
