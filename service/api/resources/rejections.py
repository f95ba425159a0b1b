"""``/v1/rejections``: messages that could not become readings."""

from __future__ import annotations

from typing import Any

from service.api.context import current
from service.api.http.blueprint import Blueprint
from service.api.http.pagination import page_by_key
from service.schemas.answers import AnswerSchema
from service.schemas.base import Items, Schema
from service.schemas.fields import Field, Name, Text, Whole
from service.schemas.times import Moment

blueprint = Blueprint(
    "rejections", __name__, url_prefix="/v1", description="Messages that became no reading."
)


class CountsField(Field):
    """Counts by word."""

    json_schema: dict[str, Any] = {  # noqa: RUF012 - read only
        "type": "object",
        "additionalProperties": {"type": "integer", "minimum": 0},
    }


class RejectionSchema(AnswerSchema):
    """A message that could not become a reading, and why."""

    id = Whole("Rises with every one.", low=1, high=2**53)
    time = Moment("When it arrived.")
    tank = Text("Empty where it is not known.")
    topic = Text("MQTT topic, or where else it came from.")
    payload = Text("The beginning of it.", attribute="payload_excerpt")
    reason = Text("Stable word.", attribute="reason_code")
    detail = Text("Which field, which value, what is allowed.")
    source = Text("Which part refused it.")


class RejectionsSchema(AnswerSchema):
    """The latest rejections, newest first."""

    rejections = Items(RejectionSchema)
    counts = CountsField("All that there ever were, by reason.")
    next = Text(allow_none=True)


class OptionsSchema(Schema):
    """Which rejections."""

    tank = Name("Only of this tank.")
    before = Whole("Only those with a smaller id.", low=1, high=2**53, text=True)
    limit = Whole("At most so many; default 100.", low=1, high=1000, text=True, load_default=100)


@blueprint.at("/rejections", "GET")
@blueprint.query(OptionsSchema)
@blueprint.answers(200, RejectionsSchema)
def rejections(options: dict[str, Any]) -> dict[str, Any]:
    """The latest messages that could not become readings, and how many there ever were

    Only the newest are stored to be shown; all are counted.
    """
    registry = current().registry
    limit = options["limit"]
    found = registry.rejections(
        limit=limit + 1, tank=options.get("tank"), before=options.get("before")
    )
    shown, more = page_by_key(found, limit, lambda one: one.id, "before")
    return {"rejections": shown, "counts": registry.rejection_counts(), "next": more}
