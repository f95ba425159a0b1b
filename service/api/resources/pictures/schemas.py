"""The JSON of pictures."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any, Final

from service.pictures.intake import EDGE_PX
from service.registry.models.log import LogKind
from service.registry.models.pictures import Picture
from service.schemas.answers import AnswerSchema, With
from service.schemas.base import Items
from service.schemas.fields import Choice, Text, Whole
from service.schemas.times import Moment

_MOST_BYTES: Final = EDGE_PX * EDGE_PX * 3


class PictureSchema(AnswerSchema):
    """A picture of a log entry."""

    id = Text()
    entry = Text("Id of its log entry.")
    time = Moment("Of its entry.")
    kind = Choice("Of its entry.", words=list(LogKind))
    width = Whole("Pixels.", low=1, high=EDGE_PX)
    height = Whole("Pixels.", low=1, high=EDGE_PX)
    bytes = Whole(low=1, high=_MOST_BYTES, attribute="file.bytes")
    address = Text("Where the picture is: a JPEG without metadata.")
    thumbnail = Text("Where its thumbnail is.")


class ShownPictures(Items):
    """A list of pictures as the registry has them, written with their addresses."""

    def _serialize(self, value: Any, attr: Any, obj: Any, **kwargs: Any) -> Any:
        return super()._serialize(shown(value), attr, obj, **kwargs)


class PicturesSchema(AnswerSchema):
    """Pictures."""

    tank = Text()
    pictures = Items(PictureSchema, "Of the newest entry first.")


class PicturesPageSchema(PicturesSchema):
    """A part of the pictures of a tank."""

    next = Text(allow_none=True)


def shown(pictures: Iterable[Picture]) -> list[With]:
    """Pictures with their addresses, for the schema."""
    return [
        With(one, address=address_of(one), thumbnail=f"{address_of(one)}/thumbnail")
        for one in pictures
    ]


def address_of(picture: Picture) -> str:
    """Where the API has a picture."""
    return f"/v1/tanks/{picture.tank}/pictures/{picture.id}"


_PICTURE = PictureSchema()


def as_documents(pictures: Iterable[Picture]) -> list[dict[str, Any]]:
    """The JSON of pictures."""
    return [_PICTURE.dump(one) for one in shown(pictures)]
