"""The files of pictures: a folder beside the registry, each under a name that nobody guesses."""

from __future__ import annotations

import hashlib
import os
import re
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Final

from service.config import Config
from service.errors import ConfigError, NotFoundError
from service.private_files import create_file, make_folder
from service.registry.database.connection import path_of_url
from service.registry.models.pictures import Picture, StoredFile

_WHOLE: Final = ".jpg"
_SMALL: Final = ".small.jpg"
_UNFINISHED: Final = ".part"
_OURS: Final = re.compile(r"([0-9a-f]{32})(?:\.small)?\.jpg(?:\.part)?")
"""No other file in the folder is ever looked at, let alone removed."""


def folder_of(config: Config) -> Path:
    """The folder of a configuration's pictures.

    Raises:
        ConfigError: the registry is no file, and no folder is named.
    """
    if config.pictures.folder is not None:
        return Path(config.pictures.folder)
    registry = path_of_url(config.registry.url)
    if registry is None:
        raise ConfigError(
            "pictures.folder is missing; allowed: a folder that all processes of this registry "
            "share; pictures are taken once it is named"
        )
    return registry.with_suffix(".pictures")


class LostPictureError(NotFoundError):
    """The file of a picture is not there, or not what was written."""


class PictureFolder:
    """Writes, reads and removes the files of pictures."""

    def __init__(self, path: Path) -> None:
        self.path = path

    def write(self, id: str, picture: bytes, thumbnail: bytes) -> None:
        """Write both files of a picture; they have their names when the disk has them.

        Raises:
            OSError: the disk is full or cannot be written.
        """
        make_folder(self.path)
        for path, data in ((self.file(id), picture), (self.file(id, small=True), thumbnail)):
            part = path.with_name(path.name + _UNFINISHED)
            create_file(part)
            with part.open("wb") as file:
                file.write(data)
                file.flush()
                os.fsync(file.fileno())
            part.rename(path)
        handle = os.open(self.path, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)

    def read(self, picture: Picture, *, small: bool = False) -> bytes:
        """The bytes of a picture, or of its thumbnail.

        Raises:
            LostPictureError: the file is not there, or not what was written.
        """
        expected = picture.thumbnail if small else picture.file
        return self.checked(picture.id, expected, small=small)

    def checked(self, id: str, expected: StoredFile, *, small: bool) -> bytes:
        """The bytes of a file that are what they have to be; errors as ``read``."""
        path = self.file(id, small=small)
        try:
            with path.open("rb") as file:
                data = file.read(expected.bytes + 1)
        except OSError as error:
            raise LostPictureError(
                f"the file of picture {id} is lost ({error.strerror}); a backup may have it"
            ) from error
        if len(data) != expected.bytes or hashlib.sha256(data).hexdigest() != expected.sha256:
            raise LostPictureError(f"the file of picture {id} is damaged; a backup may have it")
        return data

    def is_whole(self, id: str, expected: StoredFile, *, small: bool) -> bool:
        """Whether a file is there, and what it has to be."""
        try:
            self.checked(id, expected, small=small)
        except LostPictureError:
            return False
        return True

    def has(self, picture: Picture) -> bool:
        """Whether both files are there with the right size; what is in them is not read."""
        files = ((False, picture.file), (True, picture.thumbnail))
        try:
            return all(
                self.file(picture.id, small=small).stat().st_size == expected.bytes
                for small, expected in files
            )
        except OSError:
            return False

    def remove(self, id: str) -> None:
        """Remove the files of a picture; those that are not there are gone already.

        Raises:
            OSError: one cannot be removed.
        """
        for path in (self.file(id), self.file(id, small=True)):
            path.unlink(missing_ok=True)
            path.with_name(path.name + _UNFINISHED).unlink(missing_ok=True)

    def older_than(self, age_s: float) -> Iterator[str]:
        """Ids of the pictures whose files were written so long ago, each once."""
        latest, seen = time.time() - age_s, set()
        try:
            entries = list(os.scandir(self.path))
        except OSError:
            return
        for entry in entries:
            found = _OURS.fullmatch(entry.name)
            if found is None or found[1] in seen:
                continue
            try:
                old = entry.stat(follow_symlinks=False).st_mtime < latest
            except FileNotFoundError:
                continue
            if old:
                seen.add(found[1])
                yield found[1]

    def is_file_name(self, name: str) -> bool:
        """Whether a file of a picture may be called so."""
        return _OURS.fullmatch(name) is not None and not name.endswith(_UNFINISHED)

    def file(self, id: str, *, small: bool = False) -> Path:
        """Where the file of a picture is, or that of its thumbnail."""
        return self.path / f"{id}{_SMALL if small else _WHOLE}"
