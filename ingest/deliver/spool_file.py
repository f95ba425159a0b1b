"""The spool's SQLite file: opening, schema, checksums, and a new one in place of a damaged one."""

from __future__ import annotations

import logging
import sqlite3
import time
import zlib
from collections.abc import Iterator
from pathlib import Path
from typing import Any, Final

from ingest.deliver.aside import Aside
from service.errors import ConfigError
from service.private_files import create_file, make_folder

_log = logging.getLogger(__name__)
#: "LSPL" in ASCII: marks the file as ours in its header.
APPLICATION_ID: Final = 0x4C53504C
_PAGE_BYTES: Final = 4096
#: How long to wait for another process to let go of the file, s: such as one that is stopping.
LOCK_PATIENCE_S: Final = 5.0
#: Bytes of a SQLite header, and where the application's id stands in it (sqlite.org/fileformat2).
_HEADER_BYTES: Final = 100
_MAGIC: Final = b"SQLite format 3\0"
_ID_AT: Final = 68
#: Numbers of rows that are tried one by one where the list of them is damaged.
_TRIED: Final = 10_000
_CHECKSUM_BYTES: Final = 4
_SCHEMA: Final = """
CREATE TABLE IF NOT EXISTS batch (
  id INTEGER PRIMARY KEY AUTOINCREMENT,
  kind TEXT NOT NULL,
  spooled_us INTEGER NOT NULL,
  items INTEGER NOT NULL,
  sent_s REAL,
  body BLOB NOT NULL
);
CREATE INDEX IF NOT EXISTS batch_unsent ON batch (kind, id) WHERE sent_s IS NULL;
CREATE INDEX IF NOT EXISTS batch_sent ON batch (sent_s) WHERE sent_s IS NOT NULL;
CREATE TABLE IF NOT EXISTS journal (
  id INTEGER PRIMARY KEY,
  entries INTEGER NOT NULL,
  body BLOB NOT NULL
);
CREATE TABLE IF NOT EXISTS numbered (
  id INTEGER PRIMARY KEY,
  entries INTEGER NOT NULL,
  body BLOB NOT NULL
);
CREATE TABLE IF NOT EXISTS note (name TEXT PRIMARY KEY, text TEXT NOT NULL) WITHOUT ROWID;
"""
_COLUMNS: Final = {
    "batch": "id, kind, spooled_us, items, sent_s, body",
    "journal": "id, entries, body",
    "numbered": "id, entries, body",
}


class BodyDamagedError(Exception):
    """The bytes of a batch are not those that were written."""


def stored_form(body: bytes) -> bytes:
    """A body with its checksum before it."""
    return zlib.crc32(body).to_bytes(_CHECKSUM_BYTES, "big") + body


def body_of(stored: object) -> bytes:
    """The inverse of ``stored_form``.

    Raises:
        BodyDamagedError: the checksum is another.
    """
    if not isinstance(stored, bytes) or len(stored) < _CHECKSUM_BYTES:
        raise BodyDamagedError
    body = stored[_CHECKSUM_BYTES:]
    if stored_form(body) != stored:
        raise BodyDamagedError
    return body


def is_damage(error: sqlite3.Error) -> bool:
    """Whether an error means that the file is damaged."""
    code = getattr(error, "sqlite_errorcode", sqlite3.SQLITE_ERROR) & 0xFF
    return code in (sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB)


def open_spool(path: Path, max_mb: float, aside: Aside) -> sqlite3.Connection:
    """Open or create the file; a damaged one is replaced.

    Raises:
        ConfigError: it cannot be made, is no spool, or another process has it.
    """
    try:
        make_folder(path.parent)
        create_file(path)
        ours = _is_ours(path)
        try:
            return _opened(path, max_mb)
        except sqlite3.DatabaseError as error:
            if not (ours and is_damage(error)):
                raise
            return replaced(path, max_mb, aside)
    except (OSError, sqlite3.Error) as error:
        raise ConfigError(
            f"ingest.spool_path is {str(path)!r}: {error}; allowed: a file of its own for "
            "each ingester, in a folder that can be written"
        ) from error


def replaced(path: Path, max_mb: float, aside: Aside) -> sqlite3.Connection:
    """Take a damaged file aside and open a new one with what can be read of it.

    Raises:
        OSError, sqlite3.Error: it cannot be moved, or no new one be made.
    """
    make_folder(aside.folder)
    moved = aside.folder / f"{path.stem}-{time.time_ns() // 1_000_000}.db"
    for end in ("", "-wal"):
        old = path.with_name(path.name + end)
        if old.exists():
            old.rename(moved.with_name(moved.name + end))
    create_file(path)
    new = _opened(path, max_mb)
    copied = {table: _copy(moved, table, new) for table in _COLUMNS}
    _log.error(
        "the spool %s was damaged and is now %s; %d batches of it were read and go on",
        path, moved, copied["batch"],
    )  # fmt: skip
    return new


def _opened(path: Path, max_mb: float) -> sqlite3.Connection:
    db = sqlite3.connect(
        path, timeout=LOCK_PATIENCE_S, isolation_level=None, check_same_thread=False
    )
    try:
        _prepare(db, max(16, int(max_mb * 1e6) // _PAGE_BYTES))
    except BaseException:
        db.close()
        raise
    return db


def _prepare(db: sqlite3.Connection, max_pages: int) -> None:
    db.execute(f"PRAGMA page_size = {_PAGE_BYTES}")
    # Nobody else may have this file, also not a second ingester by mistake.
    db.execute("PRAGMA locking_mode = EXCLUSIVE")
    db.execute("PRAGMA journal_mode = WAL")
    db.execute("PRAGMA journal_size_limit = 4194304")
    (application,) = db.execute("PRAGMA application_id").fetchone()
    (tables,) = db.execute("SELECT count(*) FROM sqlite_master").fetchone()
    if application != APPLICATION_ID and (application or tables):
        raise sqlite3.DatabaseError("is another program's SQLite file")
    db.execute(f"PRAGMA application_id = {APPLICATION_ID}")
    for statement in filter(str.strip, _SCHEMA.split(";")):
        db.execute(statement)
    db.execute(f"PRAGMA max_page_count = {max_pages}")
    (found,) = db.execute("PRAGMA quick_check(1)").fetchone()
    if found != "ok":
        error = sqlite3.DatabaseError(found)
        error.sqlite_errorcode = sqlite3.SQLITE_CORRUPT
        raise error


def _is_ours(path: Path) -> bool:
    """Whether a file is a spool by its header, or has lost it: all zeros."""
    with path.open("rb") as file:
        header = file.read(_HEADER_BYTES)
    if not any(header):
        return bool(header)
    id_bytes = APPLICATION_ID.to_bytes(4, "big")
    return header.startswith(_MAGIC) and header[_ID_AT : _ID_AT + 4] == id_bytes


def _copy(damaged: Path, table: str, new: sqlite3.Connection) -> int:
    """Copy the rows that can be read; returns how many."""
    columns = _COLUMNS[table]
    marks = ", ".join("?" for _ in columns.split(","))
    copied = 0
    old = sqlite3.connect(f"file:{damaged}?mode=ro", uri=True, isolation_level=None)
    try:
        for row in _readable(old, table, columns):
            new.execute(f"INSERT OR IGNORE INTO {table} ({columns}) VALUES ({marks})", row)
            copied += 1
    finally:
        old.close()
    return copied


def _readable(old: sqlite3.Connection, table: str, columns: str) -> Iterator[tuple[Any, ...]]:
    for number in _numbers(old, table):
        try:
            row = old.execute(f"SELECT {columns} FROM {table} WHERE id = ?", (number,)).fetchone()
        except sqlite3.DatabaseError:
            continue  # this one is damaged; the file stays aside
        if row is not None:
            yield row


def _numbers(old: sqlite3.Connection, table: str) -> list[int]:
    """The numbers of rows; where their list is damaged, all that there may be."""
    found: list[int] = []
    try:
        found.extend(number for (number,) in old.execute(f"SELECT id FROM {table} ORDER BY id"))
    except sqlite3.DatabaseError as error:
        if error.sqlite_errorcode == sqlite3.SQLITE_NOTADB:
            return found
        last = found[-1] if found else 0
        try:
            (most,) = old.execute(
                "SELECT coalesce(max(seq), 0) FROM sqlite_sequence WHERE name = ?", (table,)
            ).fetchone()
        except sqlite3.DatabaseError:
            most = last + _TRIED
        found.extend(range(max(last + 1, most - _TRIED), most + 1))
    return found
