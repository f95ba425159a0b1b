"""A registry as one SQLite file: a copy of one moment, and the way back into a database."""

from __future__ import annotations

import json
import sqlite3
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from sqlalchemy import Connection, Engine, Table, delete, func, insert, select, text

from service.errors import RegistryRefusedError
from service.private_files import create_file
from service.registry.database.connection import (
    make_engine,
    no_registry,
    path_of_url,
    translated_errors,
)
from service.registry.database.errors import database_error
from service.registry.database.schema import ensure_current, head_revision, revision_of
from service.registry.models.pictures import StoredFile
from service.registry.tables.access import SECRET_TABLES
from service.registry.tables.base import Base
from service.registry.tables.processes import PROCESS_TABLES
from service.registry.tables.tanks import TankRow

_ROWS: Final = 1000
_LEFT_OUT: Final = (*SECRET_TABLES, *PROCESS_TABLES)
"""Tables that are empty in a copy."""
_PICTURES: Final = (
    "SELECT id, bytes, sha256, thumbnail_bytes, thumbnail_sha256 FROM picture "
    "WHERE entry IS NOT NULL ORDER BY id"
)
_SEQUENCE: Final = "pg_get_serial_sequence(:table, :column)::regclass"
_LAST_NUMBER: Final = text(f"SELECT pg_sequence_last_value({_SEQUENCE})")
_SET_SEQUENCE: Final = text(f"SELECT setval({_SEQUENCE}, :number)")
_BUSY_TIMEOUT_S: Final = 15.0


def copy_registry(url: str, to: Path) -> str:
    """Copy a registry into a new SQLite file, while others read and write.

    ``SECRET_TABLES`` and ``PROCESS_TABLES`` are empty in the copy. The registry itself stays as
    it is, also one of an earlier version in SQLite, so that a new version can back up before it
    upgrades.

    Returns:
        The revision of its schema.

    Raises:
        NotFoundError: there is no registry.
        RegistryUnavailableError: it cannot be reached, or the disk is full.
        RegistryRefusedError: it is damaged, or of another version in PostgreSQL.
    """
    path = path_of_url(url)
    engine = make_engine(url, create=False)
    try:
        revision = _revision(engine)
        if revision is None:
            raise no_registry("it is empty")
        if path is not None:
            _copy_file(path, to)
        elif revision != head_revision():
            raise RegistryRefusedError(
                f"the registry's schema is {revision!r}; allowed for a backup by this version: "
                f"{head_revision()!r}; else by pg_dump"
            )
        else:
            _copy_rows_out(engine, to)
    finally:
        engine.dispose()
    return revision


def upgrade_copy(path: Path) -> int:
    """Bring a copy to this version's schema, and check it; returns the number of its tanks.

    Raises:
        RegistryRefusedError: it was written by a newer version, or is damaged.
    """
    engine = make_engine(f"sqlite:///{path}", create=False)
    try:
        ensure_current(engine, create=False)
        with translated_errors(), engine.connect() as connection:
            found = connection.exec_driver_sql("PRAGMA quick_check(1)").scalar()
            if found != "ok":
                raise database_error(f"{path}: {found}", damaged=True)
            return connection.scalar(select(func.count()).select_from(TankRow)) or 0
    finally:
        engine.dispose()


def spooled_in(path: Path) -> int:
    """How many readings waited in spools when a copy was made, as the ingesters reported."""
    with closing(sqlite3.connect(path)) as copy:
        documents = [json.loads(one) for (one,) in copy.execute("SELECT document FROM status")]
    return sum(int(one.get("spool", {}).get("readings", 0)) for one in documents)


@dataclass(frozen=True, slots=True)
class PictureFiles:
    """The files that a picture has to have."""

    id: str
    file: StoredFile
    thumbnail: StoredFile


def pictures_in(path: Path) -> list[PictureFiles]:
    """The pictures that a copy names; none where it is of a version that had none."""
    with closing(sqlite3.connect(path)) as copy:
        there = copy.execute("SELECT 1 FROM sqlite_master WHERE name = 'picture'").fetchone()
        rows = copy.execute(_PICTURES).fetchall() if there else []
    return [PictureFiles(row[0], StoredFile(*row[1:3]), StoredFile(*row[3:])) for row in rows]


def is_there(url: str) -> bool:
    """Whether there is a registry, or anything else in its place.

    Raises:
        RegistryUnavailableError: the database cannot be reached.
    """
    path = path_of_url(url)
    if path is not None:
        return path.exists()
    engine = make_engine(url)
    try:
        return _revision(engine) is not None
    finally:
        engine.dispose()


def load_registry(path: Path, url: str) -> None:
    """Put the rows of a copy into PostgreSQL without a registry, all or none.

    Raises:
        RegistryUnavailableError: it cannot be reached.
    """
    source, target = make_engine(f"sqlite:///{path}", create=False), make_engine(url)
    try:
        ensure_current(target)
        with translated_errors(), source.connect() as read, target.begin() as write:
            _copy_rows(read, write)
            used = _numbers_used(read)
            for table, column in _numbered_tables():
                highest = write.scalar(select(func.max(table.c[column]))) or 0
                if number := max(highest, used.get(table.name, 0)):
                    values = {"table": table.name, "column": column, "number": number}
                    write.execute(_SET_SEQUENCE, values)
    finally:
        source.dispose()
        target.dispose()


def _revision(engine: Engine) -> str | None:
    with translated_errors(), engine.connect() as connection:
        return revision_of(connection)


def _copy_file(path: Path, to: Path) -> None:
    create_file(to)  # SQLite takes an empty file as a new one
    try:
        with closing(sqlite3.connect(path, timeout=_BUSY_TIMEOUT_S)) as source:
            source.execute("VACUUM INTO ?", (str(to),))
        with closing(sqlite3.connect(to, isolation_level=None)) as copy:
            there = {name for (name,) in copy.execute("SELECT name FROM sqlite_master")}
            for name in sorted(there.intersection(_LEFT_OUT)):
                copy.execute(f"DELETE FROM {name}")
            copy.execute("VACUUM")  # nothing of what was deleted stays in free pages
    except sqlite3.Error as error:
        damaged = type(error) is sqlite3.DatabaseError
        raise database_error(error, damaged=damaged) from error


def _copy_rows_out(engine: Engine, to: Path) -> None:
    target = make_engine(f"sqlite:///{to}")
    try:
        ensure_current(target)
        at_one_moment = engine.execution_options(isolation_level="REPEATABLE READ")
        with translated_errors(), at_one_moment.connect() as read, target.begin() as write:
            _copy_rows(read, write)
            for table, column in _numbered_tables():
                number = read.scalar(_LAST_NUMBER, {"table": table.name, "column": column})
                if number and table.dialect_kwargs.get("sqlite_autoincrement"):
                    values = {"name": table.name, "seq": number}
                    write.execute(text("DELETE FROM sqlite_sequence WHERE name = :name"), values)
                    write.execute(text("INSERT INTO sqlite_sequence VALUES (:name, :seq)"), values)
    finally:
        target.dispose()


def _copy_rows(read: Connection, write: Connection) -> None:
    tables = [one for one in Base.metadata.sorted_tables if one.name not in _LEFT_OUT]
    for table in reversed(tables):
        write.execute(delete(table))  # what a migration puts into a new registry
    for table in tables:
        for rows in read.execute(select(table)).mappings().partitions(_ROWS):
            write.execute(insert(table), [dict(row) for row in rows])


def _numbered_tables() -> list[tuple[Table, str]]:
    """Tables whose rows the database numbers, and the column of the numbers."""
    return [
        (table, table.autoincrement_column.name)
        for table in Base.metadata.sorted_tables
        if table.autoincrement_column is not None
    ]


def _numbers_used(read: Connection) -> dict[str, int]:
    """The last number given in each table that never uses one again (SQLite)."""
    rows = read.execute(text("SELECT name, seq FROM sqlite_sequence"))
    return {str(row.name): int(row.seq) for row in rows}
