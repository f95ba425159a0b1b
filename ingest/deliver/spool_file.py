"""The spool's SQLite file: its schema, its checksums, and whether it is sound when it is opened."""

from __future__ import annotations

import sqlite3
import zlib
from pathlib import Path
from typing import Final, Literal

from ingest.deliver.spool_pages import PAGE_BYTES

Check = Literal["quick_check", "integrity_check"]
#: "LSPL" in ASCII: marks the file as ours in its header.
APPLICATION_ID: Final = 0x4C53504C
#: How long to wait for another process to let go of the file, s: such as one that is stopping.
LOCK_PATIENCE_S: Final = 5.0
#: Bytes of a SQLite header, and where the application's id stands in it (sqlite.org/fileformat2).
_HEADER_BYTES: Final = 100
_MAGIC: Final = b"SQLite format 3\0"
_ID_AT: Final = 68
_CHECKSUM_BYTES: Final = 4
#: However small the bound is: the tables, and some rows.
_LEAST_PAGES: Final = 65_536 // PAGE_BYTES
#: So large the log becomes, in bytes; then what it has goes into the file, and it begins anew.
_LOG_BYTES: Final = 4_194_304
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
#: Tables whose rows a new file gets, and their columns.
COLUMNS: Final = {
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


def opened(path: Path, max_mb: float, check: Check = "quick_check") -> sqlite3.Connection:
    """A connection to the file, once it was looked through.

    Raises:
        sqlite3.Error: it is damaged (``is_damage``), no spool, or another process has it.
    """
    db = sqlite3.connect(
        path, timeout=LOCK_PATIENCE_S, isolation_level=None, check_same_thread=False
    )
    try:
        _prepare(db, max(_LEAST_PAGES, int(max_mb * 1e6) // PAGE_BYTES), check)
    except BaseException:
        db.close()
        raise
    return db


def _prepare(db: sqlite3.Connection, max_pages: int, check: Check) -> None:
    db.execute(f"PRAGMA page_size = {PAGE_BYTES}")
    # Nobody else may have this file, also not a second ingester by mistake.
    db.execute("PRAGMA locking_mode = EXCLUSIVE")
    (application,) = db.execute("PRAGMA application_id").fetchone()
    (tables,) = db.execute("SELECT count(*) FROM sqlite_master").fetchone()
    if application != APPLICATION_ID:
        if application or tables:
            raise sqlite3.DatabaseError("is another program's SQLite file")
        # Before the log is there, so that the file's own header says what it is.
        db.execute(f"PRAGMA application_id = {APPLICATION_ID}")
    for statement in filter(str.strip, _SCHEMA.split(";")):
        db.execute(statement)
    _make_pages_small(db)
    db.execute("PRAGMA journal_mode = WAL")
    db.execute(f"PRAGMA journal_size_limit = {_LOG_BYTES}")
    db.execute(f"PRAGMA wal_autocheckpoint = {_LOG_BYTES // PAGE_BYTES}")
    db.execute(f"PRAGMA max_page_count = {max_pages}")
    (found,) = db.execute(f"PRAGMA {check}(1)").fetchone()
    if found != "ok":
        error = sqlite3.DatabaseError(found)
        error.sqlite_errorcode = sqlite3.SQLITE_CORRUPT
        raise error


def _make_pages_small(db: sqlite3.Connection) -> None:
    """Write a file of version 0.1, which has larger pages, anew.

    The bounds are numbers of pages, and a damaged file is searched page by page.
    """
    (found,) = db.execute("PRAGMA page_size").fetchone()
    if found != PAGE_BYTES:
        db.execute("PRAGMA journal_mode = DELETE")  # with a log, VACUUM leaves the size as it is
        db.execute(f"PRAGMA page_size = {PAGE_BYTES}")
        db.execute("VACUUM")


def is_ours(path: Path) -> bool:
    """Whether a file is a spool by its header, or has lost it: all zeros."""
    with path.open("rb") as file:
        header = file.read(_HEADER_BYTES)
    if not any(header):
        return bool(header)
    id_bytes = APPLICATION_ID.to_bytes(4, "big")
    return header.startswith(_MAGIC) and header[_ID_AT : _ID_AT + 4] == id_bytes
