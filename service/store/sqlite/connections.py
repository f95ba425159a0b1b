"""The connections of one process to the SQLite file: given up when it is lost, and opened again.

A file that was moved, deleted or damaged is neither read nor written any more: everything asked
raises ``StoreUnavailableError`` until a sound file is there again.
"""

from __future__ import annotations

import contextlib
import logging
import queue
import sqlite3
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Final

from service.database_file import DatabaseFile, FileState, is_damage
from service.errors import LittoralError, NotFoundError, StoreUnavailableError
from service.store.sqlite import file, upkeep
from service.store.sqlite.file import DamagedError

_log = logging.getLogger(__name__)
#: Least time between two looks at the file by readers, and between two attempts to open it, s.
_EVERY_S: Final = 1.0

#: Least time between two probes of the file on a fresh connection, s: an open one may have all that
#: it needs in its cache, however damaged the file is by now.
_PROBE_EVERY_S: Final = 10.0
#: How long an attempt to open the file again waits for another process, s: a page waits with it.
_BUSY_AGAIN_S: Final = 0.5
_LOST: Final = (
    "is not there, and was before; put it back, restore a backup, or make an empty one with: "
    "littoral check --create"
)


class Connections:
    """One connection that writes, and a pool of others that read."""

    def __init__(self, path: Path, *, create: bool, wait: bool) -> None:
        """Open the file.

        Args:
            create: make it when it is missing.
            wait: where it is missing or damaged, do without until it is put right.

        Raises:
            NotFoundError: it is missing, and neither to be made nor waited for.
            StoreRefusedError, StoreUnavailableError: as ``file.open_file`` finds.
        """
        self._path = path
        self._file = DatabaseFile(path, with_log=True)
        self._lock = threading.RLock()
        self._writer: sqlite3.Connection | None = None
        self._readers: queue.LifoQueue[sqlite3.Connection] = queue.LifoQueue()
        self._generation = 0
        self._check: upkeep.StartCheck | None = None
        self._fault = ""
        self._tried: FileState | None = None
        self._tried_s = float("-inf")
        self._probed_s = time.monotonic()
        try:
            self._open(create=create, recovering=bool(self._file.damage()))
        except (NotFoundError, DamagedError, StoreUnavailableError) as error:
            if not wait:
                raise
            self._remember_failure(error, self._file.state())
            lost = isinstance(error, NotFoundError)
            self._lose(f"{path}: {_LOST}" if lost else error.detail)

    @property
    def checked(self) -> threading.Event:
        """Set once the file's structure has been checked after opening."""
        assert self._check is not None
        return self._check.done

    @contextmanager
    def writing(self) -> Iterator[sqlite3.Connection]:
        """A write transaction; when it ends well, the batch is in the file that has the name."""
        with self._lock:
            self._require_file(0.0)
            assert self._writer is not None
            with self._faults_noticed(), file.transaction(self._writer):
                yield self._writer
            self._look(0.0)
            self._require_no_fault()

    @contextmanager
    def reading(self) -> Iterator[sqlite3.Connection]:
        """A connection that reads, for one thread."""
        self._require_file(_EVERY_S)
        generation = self._generation
        with self._faults_noticed():
            try:
                connection = self._readers.get_nowait()
            except queue.Empty:
                connection = file.connect(self._path, read_only=True)
            try:
                yield connection
            finally:
                if generation == self._generation:
                    self._readers.put(connection)
                else:
                    connection.close()

    def check(self) -> None:
        """Read the whole file and check its structure, and the checksums of what is packed.

        Raises:
            DamagedError: it is damaged.
            StoreUnavailableError: as ``mend_rollups``.
        """
        with self.reading() as connection:
            generation = self._generation
            try:
                upkeep.check(self._path, connection, packed=True)
            except DamagedError as error:
                self._damaged(error.detail, generation)
                raise
        self.mend_rollups()

    def mend_rollups(self) -> None:
        """Compute packed rollups that are damaged anew from their readings.

        Raises:
            StoreUnavailableError: retention has deleted some of these, so the file is given up.
        """
        with self.reading() as connection:
            upkeep.mend_rollups(self._path, connection, self.writing)

    def close(self) -> None:
        """Close all connections."""
        with self._lock:
            self._lose("the store is closed", quietly=True)

    def _require_file(self, at_most_every_s: float) -> None:
        """Go on with the file that is open, or one that was put right; raise if there is none."""
        self._look(at_most_every_s)
        if not self._fault and time.monotonic() - self._probed_s >= _PROBE_EVERY_S:
            self._probe()
        if self._fault:
            self._try_again()
        self._require_no_fault()

    def _require_no_fault(self) -> None:
        if self._fault:
            raise StoreUnavailableError(self._fault)

    def _look(self, at_most_every_s: float) -> None:
        """Whether the file that is open is still the one that has the name, and sound."""
        check, generation = self._check, self._generation
        if self._fault:
            return
        if check is not None and check.done.is_set() and check.fault is not None:
            self._damaged(check.fault.detail, generation)
        elif fault := self._file.fault(at_most_every_s=at_most_every_s):
            self._lose(fault)

    def _probe(self) -> None:
        """Read the schema and a newest reading from the file itself."""
        self._probed_s = time.monotonic()
        with self._faults_noticed():
            connection = file.connect(self._path, read_only=True)
            with contextlib.closing(connection):
                connection.execute(
                    "SELECT time FROM open_reading WHERE series = (SELECT max(id) FROM series) "
                    "ORDER BY time DESC LIMIT 1"
                ).fetchone()

    @contextmanager
    def _faults_noticed(self) -> Iterator[None]:
        generation = self._generation
        try:
            yield
        except sqlite3.Error as error:
            found = file.store_error(self._path, error)
            if is_damage(error):
                self._damaged(found.detail, generation)
                raise StoreUnavailableError(found.detail) from error
            raise found from error

    def _damaged(self, fault: str, generation: int) -> None:
        """The file that was open in a generation is damaged; another one may be there by now."""
        if generation == self._generation:
            self._file.mark_damaged(fault)
            self._lose(fault)

    def _lose(self, fault: str, *, quietly: bool = False) -> None:
        """Use the file no more. Connections in use are closed by those who use them."""
        if fault != self._fault and not quietly:
            _log.error("the store is given up until it is put right: %s", fault)
        self._fault = fault
        self._generation += 1
        if self._check is not None:
            self._check.stop()
        with contextlib.suppress(queue.Empty):
            while True:
                self._readers.get_nowait().close()
        if self._lock.acquire(blocking=False):
            try:
                if self._writer is not None and not self._writer.in_transaction:
                    self._writer.close()
                    self._writer = None
            finally:
                self._lock.release()

    def _try_again(self) -> None:
        """Open the file if it is another than before, and sound."""
        if not self._lock.acquire(blocking=False):
            return  # somebody is at it, and a large file takes a while
        try:
            if self._fault and time.monotonic() - self._tried_s >= _EVERY_S:
                self._tried_s = time.monotonic()
                self._open_again()
        finally:
            self._lock.release()

    def _open_again(self) -> None:
        state = self._file.state()
        if state is None or state == self._tried or self._file.is_as_when_damaged():
            return
        if self._writer is not None:
            self._writer.close()
            self._writer = None
        self._file.drop_foreign_log()
        try:
            self._open(create=False, recovering=True, busy_s=_BUSY_AGAIN_S)
        except LittoralError as error:
            self._fault = error.detail
            self._remember_failure(error, state)
        else:
            _log.warning("%s is there again and sound", self._path)

    def _remember_failure(self, error: LittoralError, state: FileState | None) -> None:
        """Note which file cannot be opened: it is tried again when it has changed.

        One that is merely not available now (another process packs or prunes it, the disk is
        full) is tried again as it is.
        """
        self._tried = None if isinstance(error, StoreUnavailableError) else state
        self._tried_s = time.monotonic()

    def _open(self, *, create: bool, recovering: bool, busy_s: float | None = None) -> None:
        """Open the file and check it, or begin to.

        Args:
            busy_s: how long to wait for another process's transaction, see ``open_file``.
            recovering: it was damaged or lost: nothing is written before the check has passed.
        """
        writer = file.open_file(self._path, create=create, busy_s=busy_s)
        try:
            with file.errors_translated(self._path):
                reader = file.connect(self._path, read_only=True)
                check = upkeep.StartCheck(self._path, reader, at_once=recovering)
                if recovering:
                    upkeep.mend_rollups(self._path, writer, lambda: file.transaction(writer))
        except DamagedError as error:
            writer.close()
            self._file.mark_damaged(error.detail)
            raise
        except BaseException:
            writer.close()
            raise
        self._writer, self._check, self._fault, self._tried = writer, check, "", None
        self._file.remember()
        self._file.mark_sound()
