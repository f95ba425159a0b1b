"""``/v1/deliveries``: what was sent to webhooks and by mail, and what was given up."""

from __future__ import annotations

from typing import Any

from service.api.context import current
from service.api.http.blueprint import Blueprint
from service.api.http.pagination import page_by_key
from service.api.http.path_parameters import DELIVERY
from service.clock import SystemClock
from service.errors import NotFoundError, shown
from service.registry.models.events import Delivery, DeliveryState
from service.schemas.answers import AnswerSchema
from service.schemas.base import Items, Nested, Schema
from service.schemas.fields import Choice, Text, Whole
from service.schemas.times import Moment

blueprint = Blueprint(
    "deliveries",
    __name__,
    url_prefix="/v1/deliveries",
    description="What is sent to webhooks and by mail.",
)


class DeliveredEventSchema(AnswerSchema):
    """The event that is delivered."""

    sequence = Whole(low=1, high=2**53)
    id = Text("The CloudEvent's id.")
    type = Text()
    subject = Text("Id of the recommendation; of mail also `digest/…` and `test/…`.")
    tank = Text()
    time = Moment()


class DeliverySchema(AnswerSchema):
    """The delivery of one event to one webhook or recipient of mail."""

    id = Whole(low=1, high=2**53)
    target = Text("Name of the webhook in the configuration; of mail `name/recipient`.")
    state = Choice(words=list(DeliveryState))
    attempts = Whole(low=0, high=2**53)
    next_try = Moment("Not before this time, while it waits.")
    last_error = Text("Why the last attempt failed; may be empty.", longest=1000)
    settled = Moment("When it was delivered, given up or skipped.", allow_none=True)
    event = Nested(DeliveredEventSchema)


class DeliveriesSchema(AnswerSchema):
    """Deliveries, newest first."""

    deliveries = Items(DeliverySchema)
    next = Text(allow_none=True)


class DeliveriesOptionsSchema(Schema):
    """Which deliveries."""

    state = Choice(
        "Only in this state; `dead`: given up; `skipped`: there was nothing to send.",
        words=list(DeliveryState),
    )
    target = Text("Only to this webhook, or this recipient, such as `mail/ana`.", longest=64)
    before = Whole("Only deliveries with a smaller id.", low=1, high=2**53, text=True)
    limit = Whole("At most so many; default 100.", low=1, high=1000, text=True, load_default=100)


@blueprint.at("", "GET")
@blueprint.query(DeliveriesOptionsSchema)
@blueprint.answers(200, DeliveriesSchema)
def deliveries(options: dict[str, Any]) -> dict[str, Any]:
    """Deliveries to webhooks and by mail, newest first"""
    states = [DeliveryState(options["state"])] if "state" in options else None
    limit = options["limit"]
    found = current().registry.deliveries(
        target=options.get("target"), states=states, before=options.get("before"), limit=limit + 1
    )
    shown, more = page_by_key(found, limit, lambda one: one.id, "before")
    return {"deliveries": shown, "next": more}


@blueprint.at("/<id>/redeliver", "POST", parameters=DELIVERY)
@blueprint.answers(200, DeliverySchema)
@blueprint.also_answers(409, description="It is not dead.")
def redeliver(id: str) -> Delivery:
    """Send a dead delivery again, as if for the first time

    It is taken up within seconds, by the machine's own clock.
    """
    if not (id.isascii() and id.isdigit() and len(id) < 16):
        raise NotFoundError(f"delivery is {shown(id)}; allowed: the id of a delivery")
    return current().registry.redeliver(int(id), SystemClock().now())
