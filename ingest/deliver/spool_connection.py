"""The spool's open file: transactions, and a new file where it turns out to be damaged."""

from __future__ import annotations

import sqlite3
import threading
from abc import ABC, abstractmethod
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from ingest.deliver import spool_repair
from ingest.deliver.aside import Aside
from service.database_file import is_damage
from service.errors import ConfigError


class SpoolFullError(Exception):
    """The spool has reached its bound, or the disk is full: nothing of the batch was written."""


class SpoolConnection(ABC):
    """One SQLite file for all threads, replaced when it is damaged."""

    def __init__(self, path: Path, max_mb: float) -> None:
        """Open or create the file; errors as ``spool_repair.open_spool``."""
        self.path = path
        self._max_mb = max_mb
        self.aside = Aside(path.with_name(path.name + ".aside"))
        self._lock = threading.Lock()
        self._db = spool_repair.open_spool(path, max_mb, self.aside)
        self._suspected = False
        self._closed = False

    @abstractmethod
    def _count(self) -> None:
        """Count what the file has, after it was opened anew."""

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
