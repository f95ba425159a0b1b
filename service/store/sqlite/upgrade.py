"""Brings a file of the format of version 0.1 up to date: packs readings and rollups per minute.

There all readings are rows, and so are all rollups, those of the newest hours too. The room that
this frees in the file is used again.
"""

from __future__ import annotations

import sqlite3
from typing import Final

from service.science.numeric.sets import distinct
from service.store.sqlite import block, minutes, open_hour, rollup
from service.store.sqlite.minutes import HOUR_US, MINUTE_US

#: Rows of readings, and hours of rollups, of a series moved at once: bounds the memory.
_MOST_ROWS: Final = 50_000
_MOST_HOURS: Final = 1_000


def pack_file(connection: sqlite3.Connection) -> None:
    """Pack all of it, in the transaction of the caller."""
    for table, before in (("reading", "row_before"), ("rollup_minute", "minute_before")):
        connection.execute(f"ALTER TABLE {table} RENAME TO {before}")
    schema = open_hour.SCHEMA + block.SCHEMA + minutes.SCHEMA
    for statement in filter(str.strip, schema.split(";")):
        connection.execute(statement)
    for series, last_us in connection.execute("SELECT id, last FROM series").fetchall():
        _pack_minutes(connection, series)
        if last_us is not None:
            _pack_readings(connection, series, last_us // HOUR_US * HOUR_US)
    connection.execute("DROP TABLE row_before")
    connection.execute("DROP TABLE minute_before")


def _pack_minutes(connection: sqlite3.Connection, series: int) -> None:
    """Pack the rollups per minute of a series, also of time whose readings are deleted."""
    start_us = 0
    while True:
        (first,) = connection.execute(
            "SELECT min(span) FROM minute_before WHERE series = ? AND span >= ?",
            (series, start_us // MINUTE_US),
        ).fetchone()
        if first is None:
            return
        start_us = first * MINUTE_US // HOUR_US * HOUR_US
        span_us = (start_us, start_us + _MOST_HOURS * HOUR_US)
        found = rollup.rows(connection, "minute_before", MINUTE_US, series, span_us)
        minutes.replace(connection, series, distinct(found.start_us // HOUR_US), found)
        start_us = span_us[1]


def _pack_readings(connection: sqlite3.Connection, series: int, open_us: int) -> None:
    """Pack the readings of a series before its open hour; of that it has rows, and no rollups."""
    connection.execute(
        "UPDATE series SET readings = 0, first = NULL, last = NULL WHERE id = ?", (series,)
    )
    rollup.delete(connection, series, open_us)
    while True:
        rows = connection.execute(
            f"SELECT {open_hour.COLUMNS_OF_SAMPLES} FROM row_before "
            "WHERE series = ? AND time < ? ORDER BY time LIMIT ?",
            (series, open_us, _MOST_ROWS),
        )
        readings = open_hour.samples_of(rows)
        if not len(readings):
            break
        block.put(connection, series, readings)
        connection.execute(
            "DELETE FROM row_before WHERE series = ? AND time <= ?",
            (series, int(readings.time_us[-1])),
        )
    connection.execute(
        "INSERT INTO reading SELECT series, time, value, flags, raw FROM row_before "
        "WHERE series = ?",
        (series,),
    )
