"""Pruning of the SQLite file by age, in steps, and the note of from when on each level is kept."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable
from contextlib import AbstractContextManager
from typing import Final

from service.store.retention import Pruned
from service.store.sqlite import block, open_hour, rollup
from service.store.sqlite.minutes import HOUR_US

#: Rows deleted in one transaction, so that writers wait for milliseconds only.
PRUNE_STEP: Final = 20_000

#: Gives the writing connection inside a transaction, with every lock that it needs.
Writing = Callable[[], AbstractContextManager[sqlite3.Connection]]
#: Called between two transactions, so that others get to write; False ends the pruning.
Rest = Callable[[], bool]


def advance(connection: sqlite3.Connection, retained_from_us: dict[str, int]) -> bool:
    """Note from when on each level is kept; whether that is later than before for any level.

    It is the first act of pruning: from then on no late reading changes rollups that it could not
    compute anew. Of several processes that prune by the same ages, it is true for one only.

    Args:
        connection: in a transaction that writes.
    """
    known = dict(connection.execute("SELECT level, retained_from FROM retention").fetchall())
    later = {
        level: time_us
        for level, time_us in retained_from_us.items()
        if time_us > known.get(level, 0)
    }
    connection.executemany(
        "INSERT INTO retention (level, retained_from) VALUES (?, ?) ON CONFLICT (level) "
        "DO UPDATE SET retained_from = excluded.retained_from",
        later.items(),
    )
    return bool(later)


def delete(writing: Writing, retained_from_us: dict[str, int], rest: Rest) -> Pruned:
    """Delete what is older than each level's limit, in small transactions; may be interrupted.

    Args:
        retained_from_us: by level (raw, minute, hour, day), starts of UTC days; 0 keeps all.
    """
    with writing() as connection:
        series = [row[0] for row in connection.execute("SELECT id FROM series").fetchall()]
    deleted = dict.fromkeys(retained_from_us, 0)
    tables = [("raw", "block", "hour", HOUR_US, "readings")]
    tables += [(one.name, one.table, one.row, one.row_us, one.count) for one in rollup.LEVELS]
    for one in series:
        _pack_rows_before(writing, one, retained_from_us["raw"])
        for level, table, column, row_us, counted in tables:
            before = retained_from_us[level] // row_us
            while before > 0:
                with writing() as connection:
                    more, step = _delete_step(connection, table, column, counted, one, before)
                deleted[level] += step
                if step and not rest():
                    return Pruned(**deleted)
                if not more:
                    break
    return Pruned(**deleted)


def _pack_rows_before(writing: Writing, series: int, before_us: int) -> None:
    """Pack the open hour of a series that is to be deleted, so that its rollups are written."""
    with writing() as connection:
        _, _, last_us = open_hour.extent(connection, series)
        if last_us is not None and last_us < before_us:
            block.pack_rows(connection, series)


def _delete_step(
    connection: sqlite3.Connection,
    table: str,
    column: str,
    counted: str,
    series: int,
    before: int,
) -> tuple[bool, int]:
    """Delete the oldest of a series before a row; at most ``PRUNE_STEP``, or one row.

    Args:
        column: numbers the rows of a series.
        counted: how many readings or rollups a row has, as SQL.

    Returns:
        Whether more is to be deleted, and how many readings or rollups were.
    """
    rows = connection.execute(
        f"SELECT {column}, {counted} FROM {table} WHERE series = ? AND {column} < ? "
        f"ORDER BY {column}",
        (series, before),
    )
    count, newest, more = 0, None, False
    for at, some in rows:
        more = count > 0 and count + some > PRUNE_STEP
        if more:
            break
        count, newest = count + some, at
    rows.close()
    if count:
        connection.execute(
            f"DELETE FROM {table} WHERE series = ? AND {column} <= ?", (series, newest)
        )
    if count and table == "block":
        first_us = block.first_us(connection, series)
        connection.execute(
            "UPDATE series SET readings = readings - ?2, first = ?3, "
            "last = CASE WHEN ?3 IS NULL THEN NULL ELSE last END WHERE id = ?1",
            (series, count, first_us),
        )
    return more, count
