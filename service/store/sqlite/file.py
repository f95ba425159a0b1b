"""The SQLite file itself: opening, schema, and what its errors mean."""

from __future__ import annotations

import logging
import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Final

from service.database_file import make_database_file, use_write_ahead_log
from service.errors import (
    MISSING_ADVICE,
    ConfigError,
    LittoralError,
    NotFoundError,
    StoreRefusedError,
    StoreUnavailableError,
)
from service.private_files import state_of_missing
from service.store.sqlite import block, open_hour, rollup
from service.store.sqlite.upgrade import pack_file
from service.urls import redacted

_log = logging.getLogger(__name__)

#: "LTRL" in ASCII: marks the file as ours in its header.
APPLICATION_ID: Final = 0x4C54524C
SCHEMA_VERSION: Final = 6
#: The format of version 0.1, which is brought up to date when it is opened.
_UNPACKED: Final = 3
#: How long a writer waits for another process's transaction.
BUSY_TIMEOUT_S: Final = 15.0

_SCHEMA: Final = (
    """
CREATE TABLE series (
  id INTEGER PRIMARY KEY,
  tank TEXT NOT NULL,
  quantity TEXT NOT NULL,
  sensor TEXT NOT NULL,
  readings INTEGER NOT NULL DEFAULT 0,
  first INTEGER,
  last INTEGER,
  UNIQUE (tank, quantity, sensor)
);
CREATE TABLE retention (level TEXT PRIMARY KEY, retained_from INTEGER NOT NULL) WITHOUT ROWID;
"""
    + open_hour.SCHEMA
    + block.SCHEMA
    + rollup.SCHEMA
)


class DamagedError(StoreRefusedError):
    """The file is damaged; nothing will help but another file."""


def path_of_url(url: str) -> Path:
    """The file that ``sqlite:///relative`` or ``sqlite:////absolute`` names.

    Raises:
        ConfigError: if the URL names no file.
    """
    prefix = "sqlite:///"
    name = url.removeprefix(prefix)
    if not url.startswith(prefix) or not name or name.startswith(":") or "?" in name:
        raise ConfigError(
            f"store.url is {redacted(url)!r}; allowed: sqlite:///PATH with a file's path"
        )
    return Path(name)


@contextmanager
def errors_translated(path: Path) -> Iterator[None]:
    """Turn SQLite's errors into the store's own."""
    try:
        yield
    except sqlite3.Error as error:
        raise store_error(path, error) from error


def store_error(path: Path, error: sqlite3.Error) -> LittoralError:
    """The store's error for one of SQLite's: unavailable when trying again can help."""
    code = getattr(error, "sqlite_errorcode", sqlite3.SQLITE_ERROR) & 0xFF
    if code == sqlite3.SQLITE_FULL:
        return StoreUnavailableError(f"{path}: the disk is full; nothing of the batch was stored")
    if code in (sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED):
        return StoreUnavailableError(f"{path}: another process has been writing for too long")
    if code in (sqlite3.SQLITE_IOERR, sqlite3.SQLITE_CANTOPEN, sqlite3.SQLITE_NOMEM):
        return StoreUnavailableError(f"{path}: cannot be read or written ({error})")
    if code in (sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB):
        return DamagedError(
            f"{path}: is damaged or no SQLite file ({error}); restore a backup or move it away"
        )
    return StoreRefusedError(f"{path}: {error}")


def connect(path: Path, *, read_only: bool = False) -> sqlite3.Connection:
    """Open one connection; may be handed from thread to thread, not shared at the same time."""
    # Read and write, not create: a file that was deleted must not come back empty.
    connection = sqlite3.connect(
        f"{path.absolute().as_uri()}?mode=rw",
        uri=True,
        timeout=BUSY_TIMEOUT_S,
        isolation_level=None,
        check_same_thread=False,
    )
    # FULL makes each commit wait for the disk: what was committed survives a power cut.
    connection.execute("PRAGMA synchronous = FULL")
    # Each connection has a cache of its own; what is read stays in the system's too.
    connection.execute(f"PRAGMA cache_size = {-2_000 if read_only else -4_000}")
    if read_only:
        connection.execute("PRAGMA query_only = ON")
    return connection


def open_file(
    path: Path, *, create: bool = True, busy_s: float | None = None
) -> sqlite3.Connection:
    """Open the file for writing.

    Args:
        create: make it, its folder and its tables when they are missing.
        busy_s: how long to wait for another process's transaction while it is opened; None: as
            long as afterwards.

    Raises:
        NotFoundError: it is missing or empty, and is not to be made.
        StoreRefusedError: another program's file, a newer version's, or a damaged one.
        StoreUnavailableError: the folder or file cannot be made or read.
    """
    if create:
        try:
            make_database_file(path)
        except OSError as error:
            raise StoreUnavailableError(
                f"{path.parent}: the folder cannot be made ({error.strerror})"
            ) from error
    elif state := state_of_missing(path):
        raise NotFoundError(f"store.url: {path} {state}; {MISSING_ADVICE}")
    busy_s = BUSY_TIMEOUT_S if busy_s is None else busy_s
    with errors_translated(path):
        connection = connect(path)
        try:
            _wait_for_others(connection, busy_s)
            use_write_ahead_log(connection, busy_s)
            connection.execute("PRAGMA journal_size_limit = 67108864")
            _prepare(path, connection)
            _wait_for_others(connection, BUSY_TIMEOUT_S)
        except BaseException:
            connection.close()
            raise
        return connection


def _wait_for_others(connection: sqlite3.Connection, busy_s: float) -> None:
    """Set how long a connection waits for another process's transaction."""
    connection.execute(f"PRAGMA busy_timeout = {round(busy_s * 1000)}")


def _prepare(path: Path, connection: sqlite3.Connection) -> None:
    with transaction(connection):
        (application,) = connection.execute("PRAGMA application_id").fetchone()
        (version,) = connection.execute("PRAGMA user_version").fetchone()
        (tables,) = connection.execute("SELECT count(*) FROM sqlite_master").fetchone()
        if application == 0 and version == 0 and tables == 0:
            for statement in filter(str.strip, _SCHEMA.split(";")):
                connection.execute(statement)
            connection.execute(f"PRAGMA application_id = {APPLICATION_ID}")
            connection.execute(f"PRAGMA user_version = {SCHEMA_VERSION}")
            return
        if application == APPLICATION_ID and version == _UNPACKED:
            _log.warning("%s: is packed once; for a large file that takes minutes", path)
            pack_file(connection)
            connection.execute(f"PRAGMA user_version = {SCHEMA_VERSION}")
            return
    if application != APPLICATION_ID:
        raise StoreRefusedError(f"{path}: is another program's SQLite file; name a different file")
    if version < SCHEMA_VERSION:
        raise StoreRefusedError(
            f"{path}: is in format {version}, of a development version before the first release; "
            "name a different file"
        )
    if version > SCHEMA_VERSION:
        raise StoreRefusedError(
            f"{path}: was written by a newer version (format {version}, this one knows up to "
            f"{SCHEMA_VERSION}); update this program or restore a backup"
        )


@contextmanager
def transaction(connection: sqlite3.Connection) -> Iterator[sqlite3.Connection]:
    """A write transaction: committed at the end, rolled back on any error."""
    connection.execute("BEGIN IMMEDIATE")
    try:
        yield connection
        connection.execute("COMMIT")
    except BaseException:
        if connection.in_transaction:
            connection.execute("ROLLBACK")
        raise


@contextmanager
def snapshot(connection: sqlite3.Connection) -> Iterator[None]:
    """Several questions to the same state of the file."""
    connection.execute("BEGIN")
    try:
        yield
    finally:
        connection.execute("ROLLBACK")
