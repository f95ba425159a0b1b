"""Queue on disk for readings and rejections during outages; survives ``kill -9``."""

from __future__ import annotations

import logging
import sqlite3
import threading
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from ingest.deliver import spool_repair
from ingest.deliver.aside import Aside
from ingest.deliver.spool_file import BodyDamagedError, body_of, stored_form
from service.database_file import is_damage
from service.errors import ConfigError

_log = logging.getLogger(__name__)
Entries = Literal["journal", "numbered"]


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
    """A bounded queue, journals and short notes in one SQLite file; safe to call from threads."""

    def __init__(self, path: Path, max_mb: float) -> None:
        """Open or create the file; what an earlier run left in it stays.

        What can be read of a damaged one goes into a new one.

        Args:
            max_mb: bound of the file, in 10^6 bytes.

        Raises:
            ConfigError: the file cannot be made, is no spool, or another process has it.
        """
        self.path = path
        self._max_mb = max_mb
        self.aside = Aside(path.with_name(path.name + ".aside"))
        self._lock = threading.Lock()
        self._db = spool_repair.open_spool(path, max_mb, self.aside)
        self._suspected = False
        self._closed = False
        self._depth: dict[str, Depth] = {}
        self._count()

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
                (kind, spooled_us, items, stored_form(body)),
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

    def head(self, kind: str, most_items: int) -> list[Spooled]:
        """The oldest unsent batches in order: one, and more while ``most_items`` allow.

        A damaged one is taken aside and left out; errors as ``take_aside``.
        """
        while True:
            found, damaged = self._head(kind, most_items)
            for batch in damaged:
                self.take_aside(kind, batch, "its checksum is wrong")
            if found or not damaged:
                return found

    def _head(self, kind: str, most_items: int) -> tuple[list[Spooled], list[Spooled]]:
        found, damaged = list[Spooled](), list[Spooled]()
        with self._guarded() as db:
            cursor = db.execute(
                "SELECT id, items, CAST(body AS BLOB) FROM batch "
                "WHERE kind = ? AND sent_s IS NULL ORDER BY id LIMIT 1000",
                (kind,),
            )
            total = 0
            for number, items, stored in cursor:
                total += items
                if found and total > most_items:
                    break
                try:
                    found.append(Spooled(number, items, body_of(stored)))
                except BodyDamagedError:
                    damaged.append(Spooled(number, items, bytes(stored)))
            cursor.close()
        return found, damaged

    def take_aside(self, kind: str, batch: Spooled, why: str) -> None:
        """Put a batch that cannot be used into the folder ``aside``; errors as ``sent``."""
        try:
            self.aside.put(f"{kind}-{batch.id}", batch.body, f"{batch.items} {kind}: {why}")
        except OSError as error:
            raise SpoolFullError(f"{self.aside.folder}: {error}") from error
        self.sent(kind, [batch])

    def sent(self, kind: str, batches: Sequence[Spooled], *, sent_s: float | None = None) -> None:
        """Delete sent batches; or mark them as sent at a time, to be sent again if need be.

        Args:
            sent_s: by this process's ``time.monotonic``, which nobody sets; None: delete them.

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
            question = (
                "SELECT spooled_us FROM batch WHERE kind = ? AND sent_s IS NULL ORDER BY id LIMIT 1"
            )
            oldest = db.execute(question, (kind,)).fetchone()
        with self._lock:
            old = self.depth(kind)
            self._depth[kind] = Depth(
                old.items - sum(batch.items for batch in batches),
                old.batches - len(batches),
                oldest[0] if oldest else None,
            )

    def forget_sent(self, before_s: float) -> None:
        """Delete the batches sent before a time, as in ``sent``; errors as there."""
        with self._transaction(durable=False) as db:
            db.execute("DELETE FROM batch WHERE sent_s < ?", (before_s,))

    def send_again(self) -> int:
        """Mark all sent batches as unsent again; returns how many. Errors as ``sent``."""
        with self._transaction(durable=False) as db:
            changed = db.execute("UPDATE batch SET sent_s = NULL WHERE sent_s IS NOT NULL").rowcount
            self._count()
        return changed

    def write_entries(
        self, table: Entries, body: bytes, count: int, most_entries: int | None
    ) -> None:
        """Add one batch of entries; delete the oldest while the others have ``most_entries``.

        Args:
            most_entries: None: delete none.

        Raises:
            SpoolFullError: as ``sent``.
        """
        with self._transaction(durable=False) as db:
            cursor = db.execute(
                f"INSERT INTO {table} (entries, body) VALUES (?, ?)", (count, stored_form(body))
            )
            if most_entries is None:
                return
            newer = 0
            rows = db.execute(f"SELECT id, entries FROM {table} ORDER BY id DESC").fetchall()
            for number, entries in rows:
                if newer >= most_entries and number != cursor.lastrowid:
                    db.execute(f"DELETE FROM {table} WHERE id <= ?", (number,))
                    break
                newer += entries

    def entries(self, table: Entries) -> list[bytes]:
        """All batches of entries, oldest first."""
        with self._guarded() as db:
            rows = db.execute(f"SELECT CAST(body AS BLOB) FROM {table} ORDER BY id").fetchall()
        found = []
        for (stored,) in rows:
            try:
                found.append(body_of(stored))
            except BodyDamagedError:
                _log.warning("%s: entries of the %s are damaged and left out", self.path, table)
        return found

    def note(self, name: str) -> str | None:
        """A note by its name."""
        with self._guarded() as db:
            row = db.execute("SELECT text FROM note WHERE name = ?", (name,)).fetchone()
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
        with self._guarded() as db:
            db.execute(f"PRAGMA synchronous = {'FULL' if durable else 'NORMAL'}")
            db.execute("BEGIN IMMEDIATE")
            try:
                yield db
                db.execute("COMMIT")
            except BaseException:
                if db.in_transaction:
                    db.execute("ROLLBACK")
                raise

    @contextmanager
    def _guarded(self) -> Iterator[sqlite3.Connection]:
        """The file, for one thread; when it turns out to be damaged, a new one takes its place."""
        with self._lock:
            if self._closed:
                self._open_again()
            try:
                yield self._db
            except sqlite3.OperationalError as error:
                raise SpoolFullError(f"{self.path}: {error}") from error
            except sqlite3.DatabaseError as error:
                if not is_damage(error):
                    raise
                self._replace(error)

    def _replace(self, error: sqlite3.DatabaseError) -> None:
        """Look at the file anew; take a damaged one aside and go on with what can be read of it.

        What one connection says once may be a fault of its memory. Where a new one finds nothing
        and the error comes again, the file counts as damaged.

        Raises:
            SpoolFullError: always, as what was asked did not happen: ask again.
        """
        self._db.close()
        self._closed = True
        try:
            opening = spool_repair.replaced if self._suspected else spool_repair.open_checked
            self._db = opening(self.path, self._max_mb, self.aside)
        except (ConfigError, OSError, sqlite3.Error) as fault:
            raise SpoolFullError(f"{self.path}: {error}; no new one: {fault}") from fault
        self._suspected = not self._suspected
        self._closed = False
        self._count()
        raise SpoolFullError(f"{self.path}: damaged ({error}), and is opened anew") from error

    def _open_again(self) -> None:
        """After a damaged file could not be replaced, such as on a full disk."""
        try:
            self._db = spool_repair.open_spool(self.path, self._max_mb, self.aside)
        except ConfigError as error:
            raise SpoolFullError(error.detail) from error
        self._closed = False
        self._count()
