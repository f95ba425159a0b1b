"""Upkeep of the SQLite file: backup, check, rebuilding of rollups."""

from __future__ import annotations

import contextlib
import logging
import os
import sqlite3
import threading
import time
from pathlib import Path
from typing import Final

import numpy as np

from service.database_file import is_damage
from service.errors import StoreRefusedError
from service.private_files import create_file
from service.store.sqlite import block, minutes, write
from service.store.sqlite.file import DamagedError, store_error
from service.store.sqlite.prune import Writing

_log = logging.getLogger(__name__)

#: A file up to this size is checked before it is used (under a second from a slow card).
CHECK_AT_ONCE_BYTES: Final = 32 * 1024 * 1024
#: Hours of rollups mended in one transaction: writers wait for some tenths of a second.
_MEND_STEP: Final = 100
#: Then others get to write, s. SQLite lets them try each tenth of a second.
_REST_S: Final = 0.12


def rebuild_rollups(writing: Writing) -> None:
    """Compute all rollups anew from the stored readings; the same result each time.

    Rollups of time whose readings retention has deleted are left as they are.
    """
    with writing() as connection:
        series = [row[0] for row in connection.execute("SELECT id FROM series").fetchall()]
    for one in series:
        with writing() as connection:
            block.renew_rollups(connection, one, write.retained_from_us(connection))


def mend_rollups(path: Path, connection: sqlite3.Connection, writing: Writing) -> None:
    """Compute packed rollups that are damaged anew from their readings, in small transactions.

    They are looked for without a lock, and others get to write between two transactions.

    Args:
        path: the file.
        connection: in no transaction.

    Raises:
        sqlite3.DatabaseError: the readings of an hour are deleted; says of which.
    """
    last = (0, 0)
    while some := minutes.damaged(connection, last, _MEND_STEP):
        with writing() as writer:
            for series, hour in some:
                _mend_hour(path, writer, series, hour)
        last = some[-1]
        if len(some) == _MEND_STEP:
            time.sleep(_REST_S)


def _mend_hour(path: Path, connection: sqlite3.Connection, series: int, hour: int) -> None:
    """Mend one hour, unless another process has by now mended or pruned it."""
    if minutes.is_damaged(connection, series, hour):
        block.renew_rollups_of_hour(connection, series, hour)
        start = np.datetime64(hour, "h")
        _log.error("%s: damaged rollups of the hour from %s UTC are computed anew", path, start)


def back_up(connection: sqlite3.Connection, to: Path) -> None:
    """Copy the whole store as it is at one moment, while others go on reading and writing.

    The copy is compact, and is on disk under its name only when it is complete.

    Args:
        connection: one that nobody else uses.
        to: a file that does not exist yet.

    Raises:
        StoreRefusedError: the file exists, or its folder does not.
        sqlite3.Error: the disk is full or the store cannot be read.
    """
    if to.exists():
        raise StoreRefusedError(f"{to}: exists; name a file that does not")
    if not to.parent.is_dir():
        raise StoreRefusedError(f"{to.parent}: is no folder")
    unfinished = to.with_name(f".{to.name}.unfinished")
    unfinished.unlink(missing_ok=True)
    try:
        create_file(unfinished)  # SQLite takes an empty file as a new one
        connection.execute("VACUUM INTO ?", (str(unfinished),))
        for path in (unfinished, to.parent):
            _wait_for_disk(path)
        unfinished.rename(to)
        _wait_for_disk(to.parent)
    finally:
        unfinished.unlink(missing_ok=True)


def _wait_for_disk(path: Path) -> None:
    handle = os.open(path, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def check(path: Path, connection: sqlite3.Connection, *, packed: bool) -> None:
    """Check that the file's structure is sound (PRAGMA quick_check); reads all of it.

    Args:
        packed: compare the packed readings with their checksums too.

    Raises:
        DamagedError: it is damaged; says where.
    """
    faults = [row[0] for row in connection.execute("PRAGMA quick_check(3)").fetchall()]
    if faults != ["ok"]:
        found = " ".join("; ".join(faults).split())
        raise DamagedError(f"{path}: is damaged ({found[:200]}); restore a backup or move it away")
    if packed:
        try:
            block.check(connection)
        except sqlite3.DatabaseError as error:
            if not is_damage(error):
                raise
            raise store_error(path, error) from error


class StartCheck:
    """The check at start: at once for a small file, in the background for a large one."""

    def __init__(self, path: Path, connection: sqlite3.Connection, *, at_once: bool) -> None:
        """Check, or begin to.

        Args:
            path: the file.
            connection: one that nobody else uses; closed after the check.
            at_once: wait for the end of the check, however large the file is, and check the
                packed readings too.

        Raises:
            DamagedError: it is, and the file is small or is to be checked at once.
        """
        self.done = threading.Event()
        self.fault: DamagedError | None = None
        self._path = path
        self._connection = connection
        self._packed = at_once
        self._thread = threading.Thread(target=self._run, name="store-check", daemon=True)
        self._thread.start()
        if at_once or path.stat().st_size <= CHECK_AT_ONCE_BYTES:
            self._thread.join()
            if self.fault is not None:
                raise self.fault

    def _run(self) -> None:
        try:
            check(self._path, self._connection, packed=self._packed)
        except DamagedError as error:
            self.fault = error
        except sqlite3.DatabaseError as error:
            if getattr(error, "sqlite_errorcode", None) != sqlite3.SQLITE_INTERRUPT:
                self.fault = DamagedError(f"{self._path}: cannot be checked ({error})")
        finally:
            if self.fault is not None:
                _log.error("%s", self.fault.detail)
            self._connection.close()
            self.done.set()

    def stop(self) -> None:
        """End a check that is still running."""
        while not self.done.is_set():
            with contextlib.suppress(sqlite3.ProgrammingError):
                self._connection.interrupt()
            self.done.wait(0.01)
