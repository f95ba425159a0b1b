"""Pictures of log entries as the registry stores them; their files are elsewhere."""

from __future__ import annotations

import secrets
from dataclasses import dataclass
from datetime import datetime
from typing import Final

from service.registry.models.log import LogKind

MOST_OF_AN_ENTRY: Final = 24
"""Pictures that one log entry may have. Our choice."""

_ID_BYTES: Final = 16


def new_picture_id() -> str:
    """A fresh id, which is also the name of the file: 128 random bits, that nobody guesses."""
    return secrets.token_hex(_ID_BYTES)


@dataclass(frozen=True, slots=True)
class StoredFile:
    """What a file of a picture has to be.

    Attributes:
        bytes, sha256: of the file.
    """

    bytes: int
    sha256: str


@dataclass(frozen=True, slots=True)
class NewPicture:
    """A picture whose files are written, and that no entry has yet.

    Attributes:
        id: from ``new_picture_id``.
        source_sha256: of the bytes that were sent: the same ones again are the same picture.
    """

    id: str
    width: int
    height: int
    file: StoredFile
    thumbnail: StoredFile
    source_sha256: str

    @property
    def bytes(self) -> int:
        """What both files take."""
        return self.file.bytes + self.thumbnail.bytes


@dataclass(frozen=True, slots=True)
class SentPictures:
    """What came with an entry, or is to be added to one.

    Attributes:
        sources: SHA-256 of all that was sent, in order.
        new: those of them that the entry does not have yet.
        most_bytes: that the pictures of the tank may take with them.
    """

    sources: tuple[str, ...] = ()
    new: tuple[NewPicture, ...] = ()
    most_bytes: int = 0


NO_PICTURES: Final = SentPictures()
A_PICTURE: Final = "A photograph"
"""Note of an observation that is nothing else."""


@dataclass(frozen=True, slots=True)
class PicturePlace:
    """What sorts the pictures of a tank, the newest entry first.

    Attributes:
        time, recorded, sequence: of the entry; ``sequence`` numbers those of the tank.
        position: among those of its entry.
        id: of the picture.
    """

    time: datetime
    recorded: datetime | None
    sequence: int
    position: int
    id: str


@dataclass(frozen=True, slots=True)
class Picture:
    """A picture of a log entry.

    Attributes:
        id: also of its files.
        entry, tank: where it belongs.
        time, kind, note: of the entry.
        width, height: in pixels.
        place: in the list of the tank's pictures.
    """

    id: str
    tank: str
    entry: str
    time: datetime
    kind: LogKind
    note: str
    width: int
    height: int
    file: StoredFile
    thumbnail: StoredFile
    place: PicturePlace
