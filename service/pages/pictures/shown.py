"""A picture as a page shows it: where it is, its size, and what it shows in words."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from itertools import groupby
from typing import Final

from service.api.context import current
from service.api.resources.pictures.schemas import address_of
from service.pages.local_time import LocalTime
from service.pages.log.fields import KIND_WORDS
from service.pictures.intake import THUMBNAIL_PX
from service.registry.models.log import LogEntry
from service.registry.models.pictures import Picture

_NOTE_LENGTH: Final = 80
"""So much of an entry's note is read out with its picture."""


@dataclass(frozen=True, slots=True)
class ShownPicture:
    """A picture of an entry.

    Attributes:
        address, thumbnail: of its files.
        day: of its entry, for people.
        words: what it shows, as far as its entry says: for those who do not see it.
        width, height: of the thumbnail.
        is_there: its files are; else a page says that they are lost.
    """

    id: str
    address: str
    thumbnail: str
    day: str
    words: str
    width: int
    height: int
    is_there: bool


@dataclass(frozen=True, slots=True)
class Month:
    """The pictures of a month.

    Attributes:
        key: ``2025-06``.
        words: ``June 2025``.
        pictures: oldest first.
    """

    key: str
    words: str
    pictures: tuple[ShownPicture, ...]


def shown_picture(
    picture: Picture, local_time: LocalTime, address: str | None = None
) -> ShownPicture:
    """A picture for a page.

    Args:
        address: where this visitor finds it; None: at the API.
    """
    at = address_of(picture) if address is None else address
    day = local_time.date_words(picture.time)
    note = " ".join(picture.note.split())
    if len(note) > _NOTE_LENGTH:
        note = f"{note[: _NOTE_LENGTH - 1]}…"
    what = KIND_WORDS[picture.kind]
    scale = min(1.0, THUMBNAIL_PX / max(picture.width, picture.height))
    return ShownPicture(
        id=picture.id,
        address=at,
        thumbnail=f"{at}/thumbnail",
        day=day,
        words=f"{what}, {day}: {note}" if note else f"{what}, {day}",
        width=max(1, round(picture.width * scale)),
        height=max(1, round(picture.height * scale)),
        is_there=current().pictures.has(picture),
    )


def of_entries(
    tank: str, entries: Iterable[LogEntry], local_time: LocalTime
) -> Mapping[str, Sequence[ShownPicture]]:
    """The pictures of some entries of a tank, by the entry's id."""
    found = current().registry.pictures_of(tank, [one.id for one in entries])
    return {id: [shown_picture(one, local_time) for one in ones] for id, ones in found.items()}


def by_month(pictures: Iterable[Picture], local_time: LocalTime) -> tuple[Month, ...]:
    """Pictures by the month of their entries in a tank's zone, the latest month first.

    Args:
        pictures: of the newest entry first.
    """
    found = []
    for key, ones in groupby(pictures, lambda one: f"{local_time.local(one.time):%Y-%m}"):
        listed = [shown_picture(one, local_time) for one in ones]
        month = listed[0].day.split()
        words = f"{month[-2]} {month[-1]}"
        found.append(Month(key, words, tuple(reversed(listed))))
    return tuple(found)
