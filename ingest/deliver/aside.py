"""Folder for what cannot be used and must not be thrown away: damaged batches, fatal messages."""

from __future__ import annotations

import logging
import os
from pathlib import Path
from typing import Final

from service.private_files import FILE_MODE, make_folder

_log = logging.getLogger(__name__)
#: Names tried for one thing; more would mean that the folder is not ours.
_NAMES: Final = 10_000


class Aside:
    """Files of what was taken aside; nobody deletes them but who looks after the machine."""

    def __init__(self, folder: Path) -> None:
        """Name the folder; it is made with the first file."""
        self.folder = folder

    def put(self, name: str, body: bytes, why: str) -> Path:
        """Store the bytes in a file that the owner alone may read; returns it when it is on disk.

        Args:
            name: of the file; a number is added where it is taken.
            why: for the log.

        Raises:
            OSError: it cannot be written.
        """
        make_folder(self.folder)
        path, file = self._new_file(name)
        with os.fdopen(file, "wb") as out:
            out.write(body)
            out.flush()
            os.fsync(out.fileno())
        _log.error("taken aside into %s: %s", path, why)
        return path

    def count(self) -> int:
        """How many files there are; a database and its log are one."""
        try:
            return sum(not path.name.endswith("-wal") for path in self.folder.iterdir())
        except OSError:
            return 0

    def _new_file(self, name: str) -> tuple[Path, int]:
        for number in range(_NAMES):
            path = self.folder / (f"{name}-{number}" if number else name)
            try:
                return path, os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, FILE_MODE)
            except FileExistsError:
                continue
        raise FileExistsError(f"{self.folder}: no name like {name} is free")
