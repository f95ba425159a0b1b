"""Opens the spool's file; what can be read of a damaged one goes into a new one in its place.

The new file is complete before the damaged one is touched, so that a kill or a full disk at any
moment leaves all batches where the next start finds them.
"""

from __future__ import annotations

import logging
import os
import sqlite3
from collections.abc import Iterator
from pathlib import Path
from typing import Any, Final

from ingest.deliver import spool_pages
from ingest.deliver.aside import Aside
from ingest.deliver.spool_file import (
    COLUMNS,
    BodyDamagedError,
    Check,
    body_of,
    is_ours,
    opened,
)
from service.database_file import LOG_FILES, is_damage
from service.errors import ConfigError
from service.private_files import create_file, make_folder

_log = logging.getLogger(__name__)
#: Numbers of rows that are tried one by one where the list of them is damaged.
_TRIED: Final = 10_000
#: A new file that is being filled, and one that is complete.
_UNFINISHED: Final = ".unfinished"
_COMPLETE: Final = ".complete"
_NO_BOUND: Final = 1e9


def open_spool(
    path: Path, max_mb: float, aside: Aside, check: Check = "quick_check"
) -> sqlite3.Connection:
    """Open or create the file; a damaged one is replaced.

    Args:
        check: how it is looked through for damage.

    Raises:
        ConfigError: it cannot be made, is no spool, or another process has it.
    """
    try:
        make_folder(path.parent)
        _put_in_place(path, aside)
        _discard(_beside(path, _UNFINISHED))
        create_file(path)
        ours = is_ours(path)
        if ours and spool_pages.log_is_cut(path):
            return replaced(path, max_mb, aside)
        try:
            return opened(path, max_mb, check)
        except sqlite3.DatabaseError as error:
            if not (is_damage(error) and (ours or _holds_batches(path))):
                raise
            return replaced(path, max_mb, aside)
    except (OSError, sqlite3.Error) as error:
        raise ConfigError(
            f"ingest.spool_path is {str(path)!r}: {error}; allowed: a file of its own for "
            "each ingester, in a folder that can be written"
        ) from error


def open_checked(path: Path, max_mb: float, aside: Aside) -> sqlite3.Connection:
    """As ``open_spool``, but looks at all that may be damaged, which takes longer."""
    return open_spool(path, max_mb, aside, "integrity_check")


def _holds_batches(path: Path) -> bool:
    """Whether a file that has lost its header holds a batch with the right checksum."""
    return any(_is_sound(row) for row in spool_pages.batches(path))


def _is_sound(row: spool_pages.Row) -> bool:
    try:
        body_of(row[-1])
    except BodyDamagedError:
        return False
    return True


def replaced(path: Path, max_mb: float, aside: Aside) -> sqlite3.Connection:
    """Take a damaged file aside and open a new one with what can be read of it.

    Raises:
        OSError, sqlite3.Error: it cannot be moved, or no new one be made: all stays as it was.
    """
    unfinished = _beside(path, _UNFINISHED)
    _discard(unfinished)
    create_file(unfinished)
    new = opened(unfinished, _NO_BOUND)
    try:
        new.execute("BEGIN")
        copied = {table: _copy(path, table, new) for table in COLUMNS}
        found = _add_from_pages(path, new)
        new.execute("COMMIT")
    finally:
        new.close()
    unfinished.rename(_beside(path, _COMPLETE))
    moved = _put_in_place(path, aside)
    _log.error(
        "the spool %s was damaged and is now %s; %d batches of it were read and go on",
        path, moved, copied["batch"] + found,
    )  # fmt: skip
    return opened(path, max_mb)


def _put_in_place(path: Path, aside: Aside) -> Path | None:
    """Move a damaged file and its log aside, and a complete new one in their place.

    Goes on where a kill ended it; returns the damaged file's new path, None where no new one is.
    """
    complete = _beside(path, _COMPLETE)
    if not complete.exists():
        return None
    make_folder(aside.folder)
    moved = aside.folder / f"{path.stem}-{complete.stat().st_mtime_ns // 1_000_000}.db"
    # SQLite makes the third file anew; the other two belong together.
    _beside(path, "-shm").unlink(missing_ok=True)
    for end in ("-wal", ""):
        if _beside(path, end).exists():
            _beside(path, end).rename(_beside(moved, end))
    complete.rename(path)
    for folder in (path.parent, aside.folder):
        _sync(folder)
    return moved


def _discard(path: Path) -> None:
    for end in ("", *LOG_FILES):
        _beside(path, end).unlink(missing_ok=True)


def _sync(folder: Path) -> None:
    """Have the names of a folder's files survive a power cut."""
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def _beside(path: Path, end: str) -> Path:
    return path.with_name(path.name + end)


def _copy(damaged: Path, table: str, new: sqlite3.Connection) -> int:
    """Copy the rows that SQLite can read; returns how many."""
    columns = COLUMNS[table]
    marks = ", ".join("?" for _ in columns.split(","))
    copied = 0
    old = sqlite3.connect(f"{damaged.absolute().as_uri()}?mode=ro", uri=True, isolation_level=None)
    try:
        for row in _readable(old, table, columns):
            copied += new.execute(
                f"INSERT OR IGNORE INTO {table} ({columns}) VALUES ({marks})", row
            ).rowcount
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


def _add_from_pages(damaged: Path, new: sqlite3.Connection) -> int:
    """Add the batches out of SQLite's reach whose checksum is right; returns how many."""
    added = 0
    for row in filter(_is_sound, spool_pages.batches(damaged)):
        added += new.execute(
            f"INSERT OR IGNORE INTO batch ({COLUMNS['batch']}) VALUES (?, ?, ?, ?, ?, ?)", row
        ).rowcount
    return added
