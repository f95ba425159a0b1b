"""``/v1/broker/topics``: what arrives at the broker now, for people who set sensors up."""

from __future__ import annotations

from typing import Any

from ingest.tools.explanation import EXCERPT
from service.api.context import current
from service.api.http.blueprint import Blueprint
from service.api.http.problems.faults import invalid_option
from service.api.resources.broker.traffic import EVERYTHING, Topic, present_traffic
from service.api.resources.readings.schemas import FlagsField
from service.mqtt.listening import LONGEST_TOPIC, is_filter
from service.quantities import QUANTITIES
from service.registry.fields.route import RouteSchema
from service.schemas.answers import AnswerSchema, With
from service.schemas.base import Items, Nested, Schema
from service.schemas.fields import Choice, Number, Text, Whole, YesNo
from service.schemas.readings import ReadingTime

blueprint = Blueprint(
    "broker", __name__, url_prefix="/v1/broker", description="What arrives at the MQTT broker."
)


class TrafficOptionsSchema(Schema):
    """Which topics."""

    filter = Text(
        "An MQTT topic filter; default: `#`, all.",
        shortest=1,
        longest=LONGEST_TOPIC,
        load_default=EVERYTHING,
    )


class StoredAsSchema(AnswerSchema):
    """A reading that would be stored."""

    tank = Text()
    quantity = Choice(words=list(QUANTITIES))
    sensor = Text()
    value = Number()
    unit = Text("UCUM.")
    flags = FlagsField()


class OfferSchema(AnswerSchema):
    """A route that would store it, as far as it is known."""

    route = Nested(RouteSchema)
    left_open = Items(Text(), "Keys that a person has to fill in; nothing is guessed.")
    stored = Items(StoredAsSchema, "What it would store of the last message.")
    refused = Items(Text(longest=2000), "Why it would not, or excludes another route.")


class TopicSchema(AnswerSchema):
    """A topic with its last message."""

    topic = Text(longest=LONGEST_TOPIC)
    count = Whole("Messages since listening began.", low=1, high=2**53)
    time = ReadingTime("When the last one arrived.", attribute="arrival_us")
    payload = Text(f"Its beginning: {EXCERPT} characters at most.", longest=EXCERPT)
    retained = YesNo("It was stored at the broker.", attribute="retain")
    routed = YesNo("A route matches the topic, or it is one of Littoral's own.")
    stored = Items(StoredAsSchema, "What is stored of it.")
    refused = Items(Text(longest=2000), "What is rejected of it, and why.")
    offers = Items(OfferSchema, "Routes that would store it, where none matches.")


class TopicsSchema(AnswerSchema):
    """What arrived since listening began."""

    listening = YesNo("False: not yet, or no more.")
    trouble = Text("Why nothing is heard; null: nothing is wrong.", allow_none=True, longest=2000)
    left_out = Whole("Messages and topics that found no room.", low=0, high=2**53)
    topics = Items(TopicSchema)
    next = Text(allow_none=True)


@blueprint.at("/topics", "GET")
@blueprint.query(TrafficOptionsSchema)
@blueprint.answers(200, TopicsSchema)
def topics(options: dict[str, Any]) -> dict[str, Any]:
    """What arrives at the broker now, with what it would be stored as

    The first request begins to listen; it ends when nobody has asked for 20 s. Needs a token that
    may write: it shows the beginning of other programs' messages, as far as the broker lets us read
    them. What Littoral publishes itself is left out.
    """
    wanted = options["filter"]
    if not is_filter(wanted):
        raise invalid_option("filter", wanted, "an MQTT topic filter, such as yard/#")
    found = present_traffic(current(), wanted)
    return {
        "listening": found.hearing.listening,
        "trouble": found.hearing.trouble or None,
        "left_out": found.hearing.left_out + found.more,
        "topics": [_shown(one) for one in found.topics],
        "next": None,
    }


def _shown(one: Topic) -> With:
    heard = one.heard
    return With(
        one,
        topic=heard.topic,
        count=heard.count,
        arrival_us=heard.arrival_us,
        retain=heard.retain,
    )
