"""The SQLite file of a registry: given up when it is lost, and taken again when it is put right."""

from __future__ import annotations

import contextlib
import logging
import sqlite3
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Final

from sqlalchemy import Engine

from service.database_file import DatabaseFile, FileState
from service.errors import LittoralError, RegistryRefusedError, RegistryUnavailableError
from service.registry.database.errors import database_error

_log = logging.getLogger(__name__)
#: Least time between two looks at the file by readers, and between two attempts to open it, s.
_EVERY_S: Final = 1.0


class RegistryFile:
    """Watches over the file while it is in use; does nothing for another database."""

    def __init__(self, engine: Engine, reopened: Callable[[], None]) -> None:
        """Take the file that has the name now.

        Args:
            reopened: called when another file was put in its place: brings its schema up to date
                and forgets what was read before; raises ``LittoralError`` where it cannot.

        Raises:
            RegistryRefusedError: it was found to be damaged, and is.
        """
        self._engine = engine
        self._reopened = reopened
        self._lock = threading.Lock()
        self._fault = ""
        self._tried: FileState | None = None
        self._tried_s = float("-inf")
        self._file: DatabaseFile | None = None
        if engine.dialect.name == "sqlite":
            self._file = DatabaseFile(Path(engine.url.database or ""), with_log=False)
            if self._file.damage():
                _check(self._file.path)
                self._file.mark_sound()
            self._file.remember()

    @contextmanager
    def in_use(self, *, writes: bool) -> Iterator[None]:
        """While a transaction lasts; after one that writes, what it wrote is in the right file.

        Raises:
            RegistryUnavailableError: the file was lost, or is damaged.
        """
        self.require(0.0 if writes else _EVERY_S)
        try:
            yield
        except RegistryRefusedError as error:
            self._damaged(error.detail)
            raise RegistryUnavailableError(error.detail) from error
        if writes:
            self._look(0.0)
            self._require_no_fault()

    def require(self, at_most_every_s: float = _EVERY_S) -> None:
        """Raise unless there is the file that is open, or one that was put right.

        Raises:
            RegistryUnavailableError: there is none.
        """
        self._look(at_most_every_s)
        if self._fault:
            self._try_again()
        self._require_no_fault()

    def _require_no_fault(self) -> None:
        if self._fault:
            raise RegistryUnavailableError(f"registry.url: {self._fault}")

    def _look(self, at_most_every_s: float) -> None:
        if self._file is None or self._fault:
            return
        if fault := self._file.fault(at_most_every_s=at_most_every_s):
            self._lose(fault)

    def _damaged(self, detail: str) -> None:
        if self._file is not None and not self._fault:
            self._file.mark_damaged(f"{self._file.path}: {detail}")
            self._lose(f"{self._file.path}: {detail}")

    def _lose(self, fault: str) -> None:
        _log.error("the registry is given up until it is put right: %s", fault)
        self._fault = fault
        self._engine.dispose()

    def _try_again(self) -> None:
        if not self._lock.acquire(blocking=False):
            return  # somebody is at it
        try:
            if self._fault and time.monotonic() - self._tried_s >= _EVERY_S:
                self._tried_s = time.monotonic()
                self._open_again()
        finally:
            self._lock.release()

    def _open_again(self) -> None:
        assert self._file is not None
        state = self._file.state()
        if state is None or state == self._tried or self._file.is_as_when_damaged():
            return
        self._tried = state
        self._engine.dispose()
        self._file.drop_foreign_log()
        try:
            _check(self._file.path)
            self._reopened()
        except LittoralError as error:
            self._fault = f"{self._file.path}: {error.detail}"
            return
        self._file.remember()
        self._file.mark_sound()
        self._fault, self._tried = "", None
        _log.warning("the registry %s is there again and sound", self._file.path)


def _check(path: Path) -> None:
    """Check that the file's structure is sound.

    Raises:
        RegistryRefusedError: it is damaged.
        RegistryUnavailableError: it cannot be read.
    """
    try:
        connection = sqlite3.connect(f"{path.absolute().as_uri()}?mode=rw", uri=True)
        with contextlib.closing(connection):
            (found,) = connection.execute("PRAGMA quick_check(1)").fetchone()
    except sqlite3.Error as error:
        raise database_error(error, damaged=type(error) is sqlite3.DatabaseError) from error
    if found != "ok":
        raise database_error(found, damaged=True)
