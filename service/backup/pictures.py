"""The pictures of a backup: staged while others may be deleted, checked by the registry's rows."""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

from service.config import Config
from service.errors import ConfigError
from service.pictures.folder import PictureFolder, folder_of
from service.private_files import make_folder
from service.registry.database.portable import PictureFiles
from service.registry.models.pictures import StoredFile


@dataclass(frozen=True, slots=True)
class StagedPictures:
    """Files of pictures that go into an archive.

    Attributes:
        files: name -> where it is.
        lost: how many files the registry names that are lost or damaged.
    """

    files: dict[str, Path]
    lost: int


def source_of(config: Config) -> PictureFolder | None:
    """Where the pictures of a configuration are; None where it can have none."""
    try:
        return PictureFolder(folder_of(config))
    except ConfigError:
        return None


def stage(source: PictureFolder | None, to: Path) -> None:
    """Put all files of pictures into a new folder, so that they stay while they are archived."""
    make_folder(to)
    if source is None:
        return
    for id in source.older_than(0.0):
        for small in (False, True):
            with suppress(FileNotFoundError):  # deleted just now
                _link_or_copy(source.file(id, small=small), to)


def staged_of(
    pictures: list[PictureFiles], source: PictureFolder | None, folder: Path
) -> StagedPictures:
    """The staged files that a copy of the registry names; those written meanwhile are fetched."""
    files: dict[str, Path] = {}
    lost = 0
    staged = PictureFolder(folder)
    for id, small, expected in _wanted(pictures):
        path = staged.file(id, small=small)
        if not path.exists() and source is not None:
            with suppress(FileNotFoundError):
                _link_or_copy(source.file(id, small=small), folder)
        if staged.is_whole(id, expected, small=small):
            files[path.name] = path
        else:
            lost += 1
    return StagedPictures(files, lost)


def damaged_among(pictures: list[PictureFiles], folder: Path) -> list[str]:
    """Names of extracted files that are not what the registry says."""
    extracted = PictureFolder(folder)
    return [
        extracted.file(id, small=small).name
        for id, small, expected in _wanted(pictures)
        if extracted.file(id, small=small).exists()
        and not extracted.is_whole(id, expected, small=small)
    ]


def _wanted(pictures: list[PictureFiles]) -> Iterator[tuple[str, bool, StoredFile]]:
    for one in pictures:
        yield one.id, False, one.file
        yield one.id, True, one.thumbnail


def _link_or_copy(path: Path, folder: Path) -> None:
    """A second name where that is possible: the files are never written again."""
    to = folder / path.name
    try:
        os.link(path, to)
    except FileNotFoundError:
        raise
    except OSError:
        shutil.copyfile(path, to)
