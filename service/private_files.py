"""Files and folders that their owner alone may read, whatever the umask.

Two mechanisms, so that neither can be forgotten: every command runs under ``owner_only``, which
covers all that it or a library creates; and what is certainly private (databases, spool, backups)
is created here with its mode, for programs that use the packages without the command line.
"""

from __future__ import annotations

import contextlib
import os
import stat
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Final

FILE_MODE: Final = 0o600
FOLDER_MODE: Final = 0o700
_UMASK: Final = 0o077


@contextmanager
def owner_only() -> Iterator[None]:
    """Whatever is created meanwhile, by this process or its children, is its owner's alone."""
    before = os.umask(_UMASK)
    try:
        yield
    finally:
        os.umask(before)


def make_folder(folder: Path) -> None:
    """Make a folder and those above it that are missing; one that exists stays as it is.

    Raises:
        OSError: it cannot be made, or something else has its name.
    """
    if not folder.parent.exists():
        make_folder(folder.parent)
    folder.mkdir(mode=FOLDER_MODE, exist_ok=True)


def create_file(path: Path) -> None:
    """Create an empty file; one that exists stays as it is.

    SQLite gives the files that it puts beside a database the mode of the database.

    Raises:
        OSError: it cannot be created.
    """
    with contextlib.suppress(FileExistsError):
        os.close(os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, FILE_MODE))


def is_wider(path: Path, mode: int) -> bool:
    """Whether a file or folder allows more than ``mode``; False if it is not there."""
    try:
        return bool(stat.S_IMODE(path.stat().st_mode) & ~mode)
    except OSError:
        return False


def state_of_missing(path: Path) -> str:
    """``is not there`` or ``is empty``, of a file that is expected; "" if it holds anything."""
    if not path.exists():
        return "is not there"
    return "is empty" if path.is_file() and path.stat().st_size == 0 else ""


def can_be_made(path: Path) -> bool:
    """Whether a file could be made here, with the folders above it that are missing."""
    folder = path.parent
    while not folder.exists() and folder != folder.parent:
        folder = folder.parent
    return folder.is_dir() and os.access(folder, os.W_OK | os.X_OK)
