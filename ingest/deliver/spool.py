"""Queue on disk for readings and rejections during outages; survives ``kill -9``."""

from __future__ import annotations

import logging
import sqlite3
import threading
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from service.errors import ConfigError
from service.private_files import create_file, make_folder

_log = logging.getLogger(__name__)
#: "LSPL" in ASCII: marks the file as ours in its header.
APPLICATION_ID: Final = 0x4C53504C
_PAGE_BYTES: Final = 4096
#: How long to wait for another process to let go of the file, s: such as one that is stopping.
LOCK_PATIENCE_S: Final = 5.0
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
CREATE TABLE IF NOT EXISTS note (name TEXT PRIMARY KEY, text TEXT NOT NULL) WITHOUT ROWID;
"""


class SpoolFullError(Exception):
    """The spool has reached its bound, or the disk is full: nothing of the batch was written."""


@dataclass(frozen=True, slots=True)
class Spooled:
    """One batch in the spool."""

    id: int
    items: int
    body: bytes


@dataclass(frozen=True, slots=True)
class Depth:
    """How much of one kind is not sent yet, and since when (by the service's clock)."""

    items: int = 0
    batches: int = 0
    oldest_us: int | None = None


class Spool:
    """A bounded queue in one SQLite file of its own; safe to call from several threads.

    It also stores the journal of first deliveries, and short notes.
    """

    def __init__(self, path: Path, max_mb: float) -> None:
        """Open or create the file; what an earlier run left in it stays.

        Args:
            max_mb: bound of the file, in 10^6 bytes.

        Raises:
            ConfigError: the file cannot be made, is no spool, or another process has it.
        """
        self.path = path
        self._lock = threading.Lock()
        try:
            make_folder(path.parent)
            create_file(path)
            self._db = sqlite3.connect(
                path, timeout=LOCK_PATIENCE_S, isolation_level=None, check_same_thread=False
            )
            self._prepare(max(16, int(max_mb * 1e6) // _PAGE_BYTES))
        except (OSError, sqlite3.Error) as error:
            raise ConfigError(
                f"ingest.spool_path is {str(path)!r}: {error}; allowed: a file of its own for "
                "each ingester, in a folder that can be written"
            ) from error
        self._depth: dict[str, Depth] = {}
        self._count()

    def _prepare(self, max_pages: int) -> None:
        db = self._db
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

    def _count(self) -> None:
        rows = self._db.execute(
            "SELECT kind, sum(items), count(*), min(spooled_us) FROM batch "
            "WHERE sent_s IS NULL GROUP BY kind"
        )
        self._depth = {kind: Depth(items, count, oldest) for kind, items, count, oldest in rows}

    def depth(self, kind: str) -> Depth:
        """How much is not sent yet; cheap."""
        return self._depth.get(kind, Depth())

    def append(self, kind: str, body: bytes, items: int, spooled_us: int) -> int:
        """Put a batch at the end; returns its id only when it is safe on disk.

        Raises:
            SpoolFullError: no room for it.
        """
        with self._transaction(durable=True) as db:
            cursor = db.execute(
                "INSERT INTO batch (kind, spooled_us, items, body) VALUES (?, ?, ?, ?)",
                (kind, spooled_us, items, body),
            )
            number = cursor.lastrowid
        assert number is not None
        with self._lock:
            old = self.depth(kind)
            self._depth[kind] = Depth(
                old.items + items,
                old.batches + 1,
                spooled_us if old.oldest_us is None else old.oldest_us,
            )
        return number

    def head(self, kind: str, most_items: int, after: int = 0) -> list[Spooled]:
        """The oldest unsent batches in order: one, and more while ``most_items`` allow."""
        found: list[Spooled] = []
        with self._lock:
            cursor = self._db.execute(
                "SELECT id, items, body FROM batch "
                "WHERE kind = ? AND sent_s IS NULL AND id > ? ORDER BY id LIMIT 1000",
                (kind, after),
            )
            items = 0
            for row in cursor:
                batch = Spooled(*row)
                items += batch.items
                if found and items > most_items:
                    break
                found.append(batch)
            cursor.close()
        return found

    def sent(self, kind: str, batches: Sequence[Spooled], *, sent_s: float | None = None) -> None:
        """Delete sent batches; or mark them as sent at a time, to be sent again if need be.

        Args:
            sent_s: by this process's ``time.monotonic``, as a clock that is set would make a batch
                older; None: delete them.

        Raises:
            SpoolFullError: the disk is so full that not even this can be written.
        """
        ids = [(batch.id,) for batch in batches]
        with self._transaction(durable=False) as db:
            if sent_s is None:
                db.executemany("DELETE FROM batch WHERE id = ?", ids)
            else:
                db.executemany(
                    "UPDATE batch SET sent_s = ? WHERE id = ?",
                    [(sent_s, number) for (number,) in ids],
                )
            oldest = db.execute(
                "SELECT spooled_us FROM batch WHERE kind = ? AND sent_s IS NULL "
                "ORDER BY id LIMIT 1",
                (kind,),
            ).fetchone()
        with self._lock:
            old = self.depth(kind)
            self._depth[kind] = Depth(
                old.items - sum(batch.items for batch in batches),
                old.batches - len(batches),
                oldest[0] if oldest else None,
            )

    def forget_sent(self, before_s: float) -> None:
        """Delete the batches that were sent before a time, as in ``sent``.

        Raises:
            SpoolFullError: as ``sent``.
        """
        with self._transaction(durable=False) as db:
            db.execute("DELETE FROM batch WHERE sent_s < ?", (before_s,))

    def send_again(self) -> int:
        """Mark all sent batches as unsent again; returns how many.

        Raises:
            SpoolFullError: as ``sent``.
        """
        with self._transaction(durable=False) as db:
            changed = db.execute("UPDATE batch SET sent_s = NULL WHERE sent_s IS NOT NULL").rowcount
            self._count()
        return changed

    def write_journal(self, body: bytes, entries: int, most_entries: int) -> None:
        """Add one batch of entries; delete the oldest while the others have ``most_entries``.

        Raises:
            SpoolFullError: as ``sent``.
        """
        with self._transaction(durable=False) as db:
            cursor = db.execute(
                "INSERT INTO journal (entries, body) VALUES (?, ?)", (entries, body)
            )
            newer = 0
            rows = db.execute("SELECT id, entries FROM journal ORDER BY id DESC").fetchall()
            for number, count in rows:
                if newer >= most_entries and number != cursor.lastrowid:
                    db.execute("DELETE FROM journal WHERE id <= ?", (number,))
                    break
                newer += count

    def journal(self) -> list[bytes]:
        """All batches of entries, oldest first."""
        with self._lock:
            rows = self._db.execute("SELECT body FROM journal ORDER BY id").fetchall()
        return [bytes(body) for (body,) in rows]

    def note(self, name: str) -> str | None:
        """A note by its name; None if there is none."""
        with self._lock:
            row = self._db.execute("SELECT text FROM note WHERE name = ?", (name,)).fetchone()
        return None if row is None else str(row[0])

    def save_note(self, name: str, text: str) -> None:
        """Save a short note over restarts; a full disk is logged, not raised."""
        try:
            with self._transaction(durable=False) as db:
                db.execute("INSERT OR REPLACE INTO note (name, text) VALUES (?, ?)", (name, text))
        except SpoolFullError as error:
            _log.warning("the %s cannot be saved: %s", name, error)

    def close(self) -> None:
        """Release the file."""
        with self._lock:
            self._db.close()

    @contextmanager
    def _transaction(self, *, durable: bool) -> Iterator[sqlite3.Connection]:
        """A transaction; ``durable`` ones wait for the disk and so survive a power cut."""
        with self._lock:
            try:
                self._db.execute(f"PRAGMA synchronous = {'FULL' if durable else 'NORMAL'}")
                self._db.execute("BEGIN IMMEDIATE")
                try:
                    yield self._db
                    self._db.execute("COMMIT")
                except BaseException:
                    if self._db.in_transaction:
                        self._db.execute("ROLLBACK")
                    raise
            except sqlite3.OperationalError as error:
                raise SpoolFullError(f"{self.path}: {error}") from error
