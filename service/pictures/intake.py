"""From an upload to our own JPEGs: decoded in a process of its own, one picture at a time."""

from __future__ import annotations

import hashlib
import json
import subprocess
import sys
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Final, Protocol

from service.config import PicturesConfig
from service.errors import FieldFault, InvalidInputError, LittoralError, Refusal
from service.problems import PROBLEMS

EDGE_PX: Final = 2048
"""The longer side of a stored picture at most."""

THUMBNAIL_PX: Final = 320
"""The longer side of its thumbnail at most: a third of a phone's width, sharp. Our choice."""

MOST_AT_ONCE: Final = 6
"""Pictures that one request may bring. Our choice."""

_MEMORY_MB: Final = 400
"""Addresses that decoding may take: photographs of 48 megapixels need less than 300. Measured."""

_CPU_S: Final = 60
_PATIENCE_S: Final = 90.0
"""For one picture; 12 megapixels take a second here, and 8 s on a small board."""

_WAITING: Final = 3
"""Requests that decode or wait for it, each on a thread of the server; more are to come again."""

_PROGRAM: Final = Path(__file__).with_name("reencode.py")


class TooManyUploadsError(LittoralError):
    """As many pictures as fit this machine are being read already."""

    kind = PROBLEMS["too-many-uploads"]

    def __init__(self) -> None:
        super().__init__("other pictures are being read; send this again in 10 s")
        self.headers = {"Retry-After": "10"}


class Upload(Protocol):
    """A file as it was sent, on disk or in memory."""

    @property
    def field(self) -> str:
        """Pointer of the part of the request that it came in."""
        ...

    def read(self, most_bytes: int) -> bytes:
        """Its bytes, whatever they are; no more than so many."""
        ...


@dataclass(frozen=True, slots=True)
class Reencoded:
    """A picture of our own making, and its thumbnail; JPEG without metadata."""

    width: int
    height: int
    picture: bytes
    thumbnail: bytes


class Intake:
    """Reads uploads. One at a time, so that several fill no small board's memory."""

    def __init__(self, limits: PicturesConfig) -> None:
        self._limits = limits
        self._line = threading.Semaphore(_WAITING)
        self._decoding = threading.Lock()

    @contextmanager
    def place(self) -> Iterator[None]:
        """A place in the line, for as long as a request holds its uploads.

        Raises:
            TooManyUploadsError: there is none.
        """
        if not self._line.acquire(blocking=False):
            raise TooManyUploadsError
        try:
            yield
        finally:
            self._line.release()

    def reencoded(
        self, upload: Upload, known: Callable[[str], bool]
    ) -> tuple[str, Reencoded | None]:
        """The SHA-256 of an upload, and the picture as it is stored; None where it is known.

        Args:
            known: whether the file of a hash need not be read anew.

        Raises:
            InvalidInputError: the file is too large, no picture, broken or hostile.
        """
        most = self._limits.picture_bytes
        with self._decoding:
            data = upload.read(most + 1)
            if len(data) > most:
                allowed = f"up to {self._limits.picture_mb:g} MB (pictures.picture_mb)"
                raise _refused(upload, f"more than {self._limits.picture_mb:g} MB", allowed)
            source = hashlib.sha256(data).hexdigest()
            if known(source):
                return source, None
            return source, _decoded(upload, data, self._limits.megapixels)


def _decoded(upload: Upload, data: bytes, megapixels: int) -> Reencoded:
    limits = (megapixels, _MEMORY_MB, _CPU_S, EDGE_PX, THUMBNAIL_PX)
    command = [sys.executable, "-I", "-W", "ignore", str(_PROGRAM), *map(str, limits)]
    too_much = _refused(upload, "too much to read in the time and memory for one", "a photograph")
    try:
        done = subprocess.run(
            command, input=data, capture_output=True, timeout=_PATIENCE_S, check=False
        )
        head, _, rest = done.stdout.partition(b"\n")
        answer = json.loads(head)
    except (subprocess.TimeoutExpired, ValueError):  # it was ended by a limit, or crashed
        raise too_much from None
    if "refused" in answer:
        raise _refused(upload, *answer["refused"])
    first, second = answer["lengths"]
    picture, thumbnail = rest[:first], rest[first:]
    if len(thumbnail) != second:
        raise too_much
    return Reencoded(answer["width"], answer["height"], picture, thumbnail)


def _refused(upload: Upload, given: str, allowed: str) -> InvalidInputError:
    return InvalidInputError.of([FieldFault.of(upload.field, Refusal(given, allowed))])
