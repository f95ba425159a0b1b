"""Rollups of readings per minute, hour and day (UTC), kept in step with the readings.

They are written in the transaction that writes the readings. Readings newer than all before them
are added to the spans they fall in; anything else (late, rewritten, flagged afterwards) makes the
spans it touches be computed anew from the readings, so that the order of arrival leaves no trace.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass
from itertools import groupby
from typing import Final

import numpy as np

from service.store.buckets import coarser_buckets
from service.store.model import AGGREGATES, Aggregate, Buckets
from service.store.sqlite import block


@dataclass(frozen=True, slots=True)
class Level:
    """One length of span and the table of its rollups."""

    name: str
    width_us: int

    @property
    def table(self) -> str:
        """Name of the table."""
        return f"rollup_{self.name}"


MINUTE: Final = Level("minute", 60_000_000)
HOUR: Final = Level("hour", 3_600_000_000)
DAY: Final = Level("day", 86_400_000_000)
LEVELS: Final = (MINUTE, HOUR, DAY)

#: span number (time // width), readings, sum, lowest, highest, first, last
Row = tuple[int, int, float, float, float, float, float]

SCHEMA: Final = "".join(
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
    for level in LEVELS
)
_COLUMN_OF: Final[dict[Aggregate, str]] = {
    "mean": "total",
    "min": "low",
    "max": "high",
    "first": "first",
    "last": "last",
}
_COLUMNS = ("span", "n", "total", "low", "high", "first", "last")
#: Bounds the memory that computing a long stretch anew takes.
LONGEST_RUN = 10_000


def rows_of_values(values: Iterable[tuple[int, float]]) -> list[Row]:
    """Minute rows of (time in microseconds, value) pairs sorted by time."""
    rows: list[Row] = []
    for span, group in groupby(values, lambda pair: pair[0] // MINUTE.width_us):
        column = [value for _, value in group]
        rows.append(
            (span, len(column), sum(column), min(column), max(column), column[0], column[-1])
        )
    return rows


def rows_of_rows(rows: Iterable[Row], factor: int) -> list[Row]:
    """Rows of spans ``factor`` times as long, from rows sorted by span."""
    longer: list[Row] = []
    for span, group in groupby(rows, lambda row: row[0] // factor):
        _, n, total, low, high, first, last = zip(*group, strict=True)
        longer.append((span, sum(n), sum(total), min(low), max(high), first[0], last[-1]))
    return longer


def append(connection: sqlite3.Connection, fresh: dict[int, Sequence[tuple[int, float]]]) -> None:
    """Add readings that are newer than all that their series had.

    Args:
        fresh: by series id, the usable ones as (time in microseconds, value) sorted by time.
    """
    by_series = {series: rows_of_values(values) for series, values in fresh.items()}
    for level, factor in zip(LEVELS, (1, 60, 24), strict=True):
        if factor > 1:
            by_series = {series: rows_of_rows(rows, factor) for series, rows in by_series.items()}
        connection.executemany(
            f"INSERT INTO {level.table} VALUES (?, ?, ?, ?, ?, ?, ?, ?) "
            "ON CONFLICT (series, span) DO UPDATE SET n = n + excluded.n, "
            "total = total + excluded.total, low = min(low, excluded.low), "
            "high = max(high, excluded.high), last = excluded.last",
            ((series, *row) for series, rows in by_series.items() for row in rows),
        )


def renew(connection: sqlite3.Connection, series: int, times_us: Iterable[int]) -> None:
    """Compute anew every span of a series in which one of the times lies."""
    spans = sorted({time_us // MINUTE.width_us for time_us in times_us})
    for low, high in _runs(spans):
        found = block.samples(
            connection, series, low * MINUTE.width_us, (high + 1) * MINUTE.width_us
        ).usable()
        readings = zip(found.time_us.tolist(), found.value.tolist(), strict=True)
        _replace(connection, MINUTE, series, low, high, rows_of_values(readings))
    for finer, level, factor in ((MINUTE, HOUR, 60), (HOUR, DAY, 24)):
        spans = sorted({span // factor for span in spans})
        for low, high in _runs(spans):
            rows = connection.execute(
                f"SELECT {', '.join(_COLUMNS)} FROM {finer.table} "
                "WHERE series = ? AND span >= ? AND span < ? ORDER BY span",
                (series, low * factor, (high + 1) * factor),
            )
            _replace(connection, level, series, low, high, rows_of_rows(rows, factor))


def _replace(
    connection: sqlite3.Connection, level: Level, series: int, low: int, high: int, rows: list[Row]
) -> None:
    connection.execute(
        f"DELETE FROM {level.table} WHERE series = ? AND span BETWEEN ? AND ?", (series, low, high)
    )
    connection.executemany(
        f"INSERT INTO {level.table} VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
        ((series, *row) for row in rows),
    )


def _runs(spans: Sequence[int]) -> list[tuple[int, int]]:
    """Neighbouring numbers of a sorted sequence as (first, last), at most ``LONGEST_RUN`` long."""
    runs: list[tuple[int, int]] = []
    for span in spans:
        if runs and span == runs[-1][1] + 1 and span - runs[-1][0] < LONGEST_RUN:
            runs[-1] = (runs[-1][0], span)
        else:
            runs.append((span, span))
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
    """Buckets of a series from the rollups of one level.

    Args:
        span_us: start and end, multiples of the level's width.
        every_us: a multiple of the level's width.
        wanted: the columns to fill; the others are NaN.
    """
    columns = ["span", "n", *(_COLUMN_OF[name] for name in wanted)]
    cursor = connection.execute(
        f"SELECT {', '.join(columns)} FROM {level.table} "
        "WHERE series = ? AND span >= ? AND span < ? ORDER BY span",
        (series, span_us[0] // level.width_us, span_us[1] // level.width_us),
    )
    types = [(name, np.int64 if name in ("span", "n") else np.float64) for name in columns]
    rows = np.fromiter(cursor, dtype=np.dtype(types))
    unknown = np.full(len(rows), np.nan)
    total, low, high, first, last = (
        rows[_COLUMN_OF[name]] if name in wanted else unknown for name in AGGREGATES
    )
    fine = Buckets(
        start_us=rows["span"] * level.width_us,
        every_us=level.width_us,
        count=rows["n"],
        sum=total,
        min=low,
        max=high,
        first=first,
        last=last,
    )
    return coarser_buckets(fine, every_us)
