"""The JSON of events."""

from __future__ import annotations

from typing import Any, Final

from service.schemas.answers import AnswerSchema
from service.schemas.base import Items
from service.schemas.fields import Field, Text, Whole
from service.schemas.times import Moment

HIGHEST: Final = 2**53


class AnyObject(Field):
    """A JSON object as it is."""

    json_schema: dict[str, Any] = {"type": "object"}  # noqa: RUF012 - read only

    def _serialize(self, value: Any, attr: Any, obj: Any, **kwargs: Any) -> dict[str, Any]:
        return dict(value)


class EventSchema(AnswerSchema):
    """Something that happened."""

    sequence = Whole("Rises, and is never used again.", low=1, high=HIGHEST)
    id = Text("The same as of the webhooks' CloudEvent.")
    type = Text(
        "`recommendation.opened`, `.changed`, `.marked` or `.cleared`; `trial.begun`, `.changed`, "
        "`.judged`, `.ended` or `.broken-off`."
    )
    subject = Text("Id of the recommendation or trial.")
    tank = Text()
    time = Moment()
    data = AnyObject("The recommendation or trial.")


class EventsSchema(AnswerSchema):
    """Events, oldest first."""

    events = Items(EventSchema)
    next = Text(allow_none=True)
