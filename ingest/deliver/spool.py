"""Queue on disk for readings and rejections during outages; survives ``kill -9``."""

from __future__ import annotations

import logging
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Literal, TypeVar

from ingest.deliver.spool_connection import SpoolConnection, SpoolFullError
from ingest.deliver.spool_file import BodyDamagedError, body_of, stored_form

_log = logging.getLogger(__name__)
T = TypeVar("T")
Entries = Literal["journal", "numbered"]
#: Sent batches that give way at once where the spool is full.
_GIVE_WAY = 100


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


class Spool(SpoolConnection):
    """A bounded queue, journals and short notes in one SQLite file; safe to call from threads."""

    def __init__(self, path: Path, max_mb: float) -> None:
        """Open or create the file; what an earlier run left in it stays.

        What can be read of a damaged one goes into a new one.

        Args:
            max_mb: bound of the file, in 10^6 bytes.

        Raises:
            ConfigError: the file cannot be made, is no spool, or another process has it.
        """
        super().__init__(path, max_mb)
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

        Sent batches give way to it, oldest first.

        Raises:
            SpoolFullError: no room for it.
        """
        row = (kind, spooled_us, items, stored_form(body))
        number = self._with_room(lambda: self._append(row))
        with self._lock:
            old = self.depth(kind)
            self._depth[kind] = Depth(
                old.items + items,
                old.batches + 1,
                spooled_us if old.oldest_us is None else old.oldest_us,
            )
        return number

    def _append(self, row: tuple[str, int, int, bytes]) -> int:
        with self._transaction(durable=True) as db:
            cursor = db.execute(
                "INSERT INTO batch (kind, spooled_us, items, body) VALUES (?, ?, ?, ?)", row
            )
        assert cursor.lastrowid is not None
        return cursor.lastrowid

    def _with_room(self, write: Callable[[], T]) -> T:
        """Try until it is done, or no sent batch is left that could make room."""
        while True:
            try:
                return write()
            except SpoolFullError:
                if not self._forget_oldest_sent():
                    raise

    def _forget_oldest_sent(self) -> bool:
        """Delete some of the sent batches; False if there is none."""
        with self._transaction(durable=False) as db:
            deleted = db.execute(
                "DELETE FROM batch WHERE id IN "
                "(SELECT id FROM batch WHERE sent_s IS NOT NULL ORDER BY id LIMIT ?)",
                (_GIVE_WAY,),
            ).rowcount
        if deleted:
            _log.warning("%s is full: %d sent batches are forgotten early", self.path, deleted)
        return deleted > 0

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
        ids = [batch.id for batch in batches]
        oldest_us = self._with_room(lambda: self._leave(kind, ids, sent_s))
        with self._lock:
            old = self.depth(kind)
            self._depth[kind] = Depth(
                old.items - sum(batch.items for batch in batches),
                old.batches - len(batches),
                oldest_us,
            )

    def _leave(self, kind: str, ids: Sequence[int], sent_s: float | None) -> int | None:
        """Delete or mark batches; returns since when the oldest of the others is there."""
        with self._transaction(durable=False) as db:
            if sent_s is None:
                db.executemany("DELETE FROM batch WHERE id = ?", [(number,) for number in ids])
            else:
                db.executemany(
                    "UPDATE batch SET sent_s = ? WHERE id = ?", [(sent_s, number) for number in ids]
                )
            question = (
                "SELECT spooled_us FROM batch WHERE kind = ? AND sent_s IS NULL ORDER BY id LIMIT 1"
            )
            oldest = db.execute(question, (kind,)).fetchone()
        return oldest[0] if oldest else None

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
