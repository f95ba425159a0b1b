"""``/v1/rejections``: messages that could not become readings."""

from __future__ import annotations

from typing import Any

from service.api.context import current
from service.api.http.blueprint import Blueprint
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


class RejectionSchema(Schema):
    """A message that could not become a reading, and why."""

    time = Moment("When it arrived.", required=True)
    tank = Text("Empty where it is not known.", required=True)
    topic = Text("MQTT topic, or where else it came from.", required=True)
    payload = Text("The beginning of it.", attribute="payload_excerpt", required=True)
    reason = Text("Stable word.", attribute="reason_code", required=True)
    detail = Text("Which field, which value, what is allowed.", required=True)
    source = Text("Which part refused it.", required=True)


class RejectionsSchema(Schema):
    """The latest rejections, newest first."""

    rejections = Items(RejectionSchema, required=True)
    counts = CountsField("All that there ever were, by reason.", required=True)
    next = Text(allow_none=True, required=True)


class OptionsSchema(Schema):
    """Which rejections."""

    tank = Name("Only of this tank.")
    limit = Whole("At most so many; default 100.", low=1, high=1000, text=True, load_default=100)


@blueprint.at("/rejections", "GET")
@blueprint.query(OptionsSchema)
@blueprint.answers(200, RejectionsSchema)
def rejections(options: dict[str, Any]) -> dict[str, Any]:
    """The latest messages that could not become readings, and how many there ever were

    Only the newest are kept to be shown; all are counted.
    """
    registry = current().registry
    found = registry.rejections(limit=options["limit"], tank=options.get("tank"))
    return {"rejections": found, "counts": registry.rejection_counts(), "next": None}
