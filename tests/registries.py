"""Empty registries for tests, ready-made: making the schema anew takes ten times as long.

Tests of the schema itself, of its migrations and of how a registry is made use ``open_registry``.
"""

from __future__ import annotations

import atexit
import functools
import shutil
import tempfile
from pathlib import Path
from typing import Any, Final, NamedTuple

import psycopg
from psycopg import sql

from service.registry.registry import Registry, open_registry
from service.registry.tables.base import Base
from tests.servers import Postgresql


@functools.cache
def _empty() -> Path:
    """An empty registry with today's schema, made once in a process of tests."""
    folder = Path(tempfile.mkdtemp(prefix="littoral-registry-"))
    atexit.register(shutil.rmtree, folder, ignore_errors=True)
    path = folder / "registry.db"
    open_registry(f"sqlite:///{path}").close()
    assert [one.name for one in folder.iterdir()] == [path.name], "all of it is in one file"
    return path


def sqlite_registry(path: Path) -> Registry:
    """A new, empty registry in SQLite, open."""
    make_sqlite_registry(path)
    return open_registry(f"sqlite:///{path}")


def make_sqlite_registry(path: Path) -> None:
    """Make a new, empty registry in SQLite, with the mode of one that the service makes."""
    assert not path.exists(), path
    shutil.copy(_empty(), path)


class _Made(NamedTuple):
    """A schema of a server, and what empties a registry that has it."""

    connection: psycopg.Connection[Any]
    fingerprint: str
    script: str


_FINGERPRINT: Final = """
    SELECT string_agg(concat_ws(' ', c.oid, a.attnum, a.atttypid, a.attnotnull), ',')
    FROM pg_class c JOIN pg_attribute a ON a.attrelid = c.oid
    WHERE c.relnamespace = 'public'::regnamespace AND a.attnum > 0
"""
_made: dict[int, _Made] = {}
"""By the port of the server."""


def postgresql_registry(server: Postgresql) -> Registry:
    """An empty registry in the database ``littoral``, open.

    Where the schema is still as it was made, what tests left in its tables is deleted; else all
    is made anew.
    """
    made = _made.get(server.port)
    if made is not None and _fingerprint(made.connection) == made.fingerprint:
        made.connection.execute(made.script)
        return open_registry(server.url)
    registry = open_registry(server.emptied())
    if made is None:
        address = server.url.replace("postgresql+psycopg", "postgresql")
        connection = psycopg.connect(address, autocommit=True)
        atexit.register(connection.close)
    else:
        connection = made.connection
    _made[server.port] = _Made(connection, _fingerprint(connection), _script(connection))
    return registry


def _fingerprint(connection: psycopg.Connection[Any]) -> str:
    return str(connection.execute(_FINGERPRINT).fetchone())


def _script(connection: psycopg.Connection[Any]) -> str:
    """SQL that brings the tables back to what they hold now, which is next to nothing."""
    statements = []
    for table in reversed(Base.metadata.sorted_tables):
        rows = connection.execute(f'SELECT * FROM "{table.name}"').fetchall()
        statements.append(f'DELETE FROM "{table.name}"')
        for row in rows:
            values = sql.SQL(", ").join(map(sql.Literal, row)).as_string(connection)
            statements.append(f'INSERT INTO "{table.name}" VALUES ({values})')
    for (name,) in connection.execute("SELECT sequencename FROM pg_sequences"):
        statements.append(f"SELECT setval('\"{name}\"', 1, false)")
    return "BEGIN; " + "; ".join(statements) + "; COMMIT"
