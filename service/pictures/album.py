"""The pictures of one registry: takes uploads, gives files out, removes what was deleted."""

from __future__ import annotations

import hashlib
import logging
import threading
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from functools import cached_property
from typing import Final

from service.config import Config
from service.errors import ConfigError, LittoralError
from service.pictures.folder import PictureFolder, folder_of
from service.pictures.intake import Intake, Reencoded, TooManyUploadsError, Upload
from service.problems import PROBLEMS
from service.registry.models.pictures import (
    NO_PICTURES,
    NewPicture,
    Picture,
    SentPictures,
    StoredFile,
    new_picture_id,
)
from service.registry.registry import Registry

_log = logging.getLogger("littoral.pictures")
_SWEPT_EVERY_S: Final = 86_400.0
_ORPHAN_S: Final = 3600.0
"""A file that no row names is removed when it is so old: who writes it is done by then."""


class NoRoomError(LittoralError):
    """The disk takes no picture."""

    kind = PROBLEMS["no-room"]


PICTURE_ERRORS: Final = (TooManyUploadsError, NoRoomError)
"""What a picture may meet that is no fault of it: sent again later, it may be taken."""


class Album:
    """Files and rows of pictures, together. Safe to call from several threads."""

    def __init__(self, config: Config, registry: Registry) -> None:
        """Nothing is opened yet; without a folder (``folder_of``) every use says so."""
        self._config, self._registry = config, registry
        self._intake = Intake(config.pictures)

    @cached_property
    def folder(self) -> PictureFolder:
        """Where the files are.

        Raises:
            ConfigError: the configuration names none.
        """
        return PictureFolder(folder_of(self._config))

    @contextmanager
    def taken(self, uploads: Sequence[Upload], entry: str | None = None) -> Iterator[SentPictures]:
        """Uploads as pictures that are ready to be added to an entry, within the block.

        Files that no row names at its end are removed.

        Args:
            entry: id of the entry, where it may be sent again: what it has is not read anew.

        Raises:
            InvalidInputError: one is refused.
            TooManyUploadsError: too many are being read already.
            ConfigError: there is no folder.
            NoRoomError: they cannot be written.
        """
        if not uploads:
            yield NO_PICTURES
            return
        folder_of(self._config)  # none is a mistake of the configuration, not of the picture
        sources: list[str] = []
        written: list[NewPicture] = []
        known = self._registry.picture_sources(entry) if entry else frozenset()
        try:
            with self._intake.place():
                for one in uploads:
                    source, made = self._intake.reencoded(one, {*known, *sources}.__contains__)
                    sources.append(source)
                    if made is not None:
                        written.append(self._written(source, made))
            yield SentPictures(tuple(sources), tuple(written), self._config.pictures.tank_bytes)
        finally:
            self._remove_unknown([one.id for one in written])

    def remove_deleted(self) -> None:
        """Remove the files of pictures that were deleted; what fails is tried again next time."""
        try:
            ids = self._registry.deleted_pictures()
            if not ids:
                return
            gone = [id for id in ids if self._removed(id)]
            self._registry.forget_pictures(gone)
        except LittoralError as error:
            _log.warning("files of deleted pictures are still there: %s", error.detail)

    def sweep(self) -> None:
        """Remove the files of deleted pictures, and old ones that no row names.

        Those are left by a process that was killed between file and row.
        """
        self.remove_deleted()
        try:
            self._remove_unknown(list(self.folder.older_than(_ORPHAN_S)))
        except LittoralError as error:
            _log.debug("no pictures to look through: %s", error.detail)

    def has(self, picture: Picture) -> bool:
        """Whether the files of a picture are there; what is in them is not read."""
        try:
            return self.folder.has(picture)
        except ConfigError:
            return False

    def content(self, picture: Picture, *, small: bool = False) -> bytes:
        """The bytes of a picture or its thumbnail.

        Raises:
            LostPictureError: its file is lost or damaged.
        """
        return self.folder.read(picture, small=small)

    def _written(self, source: str, made: Reencoded) -> NewPicture:
        id = new_picture_id()
        try:
            self.folder.write(id, made.picture, made.thumbnail)
        except OSError as error:
            self._removed(id)
            raise NoRoomError(f"the picture cannot be written: {error.strerror}") from error
        files = _as_file(made.picture), _as_file(made.thumbnail)
        return NewPicture(id, made.width, made.height, *files, source)

    def _remove_unknown(self, ids: list[str]) -> None:
        """Remove those files that no row names."""
        if not ids:
            return
        known = self._registry.known_pictures(ids)
        for id in ids:
            if id not in known:
                self._removed(id)

    def _removed(self, id: str) -> bool:
        try:
            self.folder.remove(id)
        except OSError as error:
            _log.warning("a file of picture %s cannot be removed: %s", id, error.strerror)
            return False
        return True


def sweep_daily(album: Album, stop: threading.Event) -> None:
    """Sweep at the start and then once a day, until ``stop`` is set."""
    album.sweep()
    while not stop.wait(_SWEPT_EVERY_S):
        album.sweep()


def _as_file(data: bytes) -> StoredFile:
    return StoredFile(len(data), hashlib.sha256(data).hexdigest())
