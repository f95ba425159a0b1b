"""A SQLite file that several processes have open: notices that it was moved, deleted or damaged.

SQLite itself goes on reading and writing a file that was moved or deleted, and what was written is
then nowhere to be found. So the file that is open is compared with the one that has its name: a
question to the file system, some microseconds. Damage is found by whoever reads the damaged page;
a marker beside the file tells the other processes, and the next start.
"""

from __future__ import annotations

import contextlib
import json
import os
import sqlite3
import time
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Final

from service.private_files import FILE_MODE, create_file, make_folder

#: Files that SQLite puts beside a database in WAL mode.
LOG_FILES: Final = ("-wal", "-shm")
_MARKER: Final = "-damaged"
_RETRY_S: Final = 0.02
_LOST: Final = "was moved or deleted while it was in use; put it back, or restore a backup"


def make_database_file(path: Path) -> None:
    """Make the empty file of a database, with the folders above it; one that exists stays.

    Raises:
        OSError: the folder cannot be made. What is wrong with the file SQLite says better.
    """
    make_folder(path.parent)
    with contextlib.suppress(OSError):
        create_file(path)


def use_write_ahead_log(connection: sqlite3.Connection, timeout_s: float) -> None:
    """Have readers and a writer work at the same time; the file remembers it.

    SQLite's own timeout does not cover a file's first time: who reads and then wants to
    write is refused at once, and several programs may start together on a new file.

    Raises:
        sqlite3.OperationalError: others held the file for longer than the timeout.
    """
    end = time.monotonic() + timeout_s
    while True:
        try:
            connection.execute("PRAGMA journal_mode = WAL").close()
            return
        except sqlite3.OperationalError as error:
            if error.sqlite_errorcode & 0xFF != sqlite3.SQLITE_BUSY or time.monotonic() >= end:
                raise
        time.sleep(_RETRY_S)


def is_damage(error: BaseException) -> bool:
    """Whether an error of SQLite means that the file is damaged."""
    code = getattr(error, "sqlite_errorcode", None)
    return code is not None and code & 0xFF in (sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB)


@dataclass(frozen=True, slots=True)
class FileState:
    """Which file has a name, and whether it was written since."""

    device: int
    inode: int
    size: int
    modified_ns: int


class DatabaseFile:
    """A database's file by its path; safe to use from several threads."""

    def __init__(self, path: Path, *, with_log: bool) -> None:
        """Name the file.

        Args:
            with_log: a connection stays open all the time, so that the write-ahead log beside
                the file stays the same too, unless somebody deletes it.
        """
        self.path = path
        watched = ("", *LOG_FILES) if with_log else ("",)
        self._files = tuple(path.with_name(path.name + end) for end in watched)
        self._opened: tuple[tuple[int, int] | None, ...] = ()
        self._looked_s = float("-inf")

    def remember(self) -> None:
        """Take the files that have the names now for the ones that are open."""
        self._opened = self._identities()

    def fault(self, *, at_most_every_s: float = 0.0) -> str:
        """What is wrong with the file that is open; "" if nothing is, or it was just asked.

        Args:
            at_most_every_s: do not ask the file system more often.
        """
        now_s = time.monotonic()
        if now_s - self._looked_s < at_most_every_s:
            return ""
        self._looked_s = now_s
        if self._identities() != self._opened:
            return f"{self.path}: {_LOST}"
        return self.damage()

    def damage(self) -> str:
        """What the marker says; "" without one."""
        try:
            return str(json.loads(self._marker.read_text(encoding="utf-8"))["fault"])
        except FileNotFoundError:
            return ""
        except (OSError, ValueError, KeyError, TypeError):
            return f"{self.path}: was found to be damaged"

    def mark_damaged(self, fault: str) -> None:
        """Tell the other processes; a full disk is no reason to fail."""
        state = self.state()
        document = {"fault": fault, "state": None if state is None else asdict(state)}
        with contextlib.suppress(OSError):
            handle = os.open(self._marker, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, FILE_MODE)
            with os.fdopen(handle, "w", encoding="utf-8") as out:
                json.dump(document, out)

    def mark_sound(self) -> None:
        """Remove the marker."""
        with contextlib.suppress(OSError):
            self._marker.unlink(missing_ok=True)

    def is_as_when_damaged(self) -> bool:
        """Whether the file is still the one that was found to be damaged, and as it was."""
        try:
            marked = json.loads(self._marker.read_text(encoding="utf-8"))["state"]
        except (OSError, ValueError, KeyError, TypeError):
            return False
        state = self.state()
        return state is not None and asdict(state) == marked

    def state(self) -> FileState | None:
        """The file that has the name now; None if there is none or it is empty."""
        try:
            found = self.path.stat()
        except OSError:
            return None
        if not found.st_size:
            return None
        return FileState(found.st_dev, found.st_ino, found.st_size, found.st_mtime_ns)

    def drop_foreign_log(self) -> None:
        """Move away the log of the file that was open, where another file has its name now.

        SQLite would apply it to the new file, which damages it.
        """
        now = self._identities()
        if not self._opened or now[0] == self._opened[0]:
            return
        for log, known, found in zip(self._files[1:], self._opened[1:], now[1:], strict=True):
            if found is not None and found == known:
                with contextlib.suppress(FileNotFoundError):
                    log.rename(log.with_name(f"{log.name}-of-lost-{known[1]}"))

    @property
    def _marker(self) -> Path:
        return self.path.with_name(self.path.name + _MARKER)

    def _identities(self) -> tuple[tuple[int, int] | None, ...]:
        return tuple(map(_identity, self._files))


def _identity(path: Path) -> tuple[int, int] | None:
    try:
        found = path.stat()
    except OSError:
        return None
    return found.st_dev, found.st_ino
