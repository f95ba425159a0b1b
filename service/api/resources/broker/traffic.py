"""What arrives at the broker now, with what it would be stored as; for the API and the page."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from ingest.process import Calibrations, ClockLimits, why_refused
from ingest.tools.dry_run import message_of
from ingest.tools.explanation import EXCERPT, StoredAs, TopicReport, explain, route_preview
from ingest.tools.own_topics import is_own_output
from ingest.tools.route_suggestion import Suggestion
from service.api.context import Context, app_singleton
from service.api.resources.broker.routes import present_routes
from service.config import RouteConfig
from service.log_format import printable
from service.mqtt.listening import BrokerListener, Heard, Hearing
from service.registry.models.log import LogKind

EVERYTHING: Final = "#"
MOST_SHOWN: Final = 200
"""Topics of one answer: first those that no route matches."""


@dataclass(frozen=True, slots=True)
class Offer:
    """A suggested route with what it would store of the last message.

    Attributes:
        left_open: what a person has to fill in; nothing would be stored before.
        stored: what it would store.
        refused: why it would store nothing, or goes with no other route; a sentence each.
    """

    route: RouteConfig
    value: str
    left_open: tuple[str, ...]
    paths: tuple[str, ...]
    stored: tuple[StoredAs, ...] = ()
    refused: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Topic:
    """A topic and what would become of its last message.

    Attributes:
        heard: the message.
        payload: its beginning, printable.
        routed: a route matches it, or it is one of our own.
    """

    heard: Heard
    payload: str
    routed: bool
    stored: tuple[StoredAs, ...]
    refused: tuple[str, ...]
    offers: tuple[Offer, ...] = ()


@dataclass(frozen=True, slots=True)
class Traffic:
    """What arrived so far.

    Attributes:
        more: topics that are not among ``topics``.
    """

    hearing: Hearing
    topics: tuple[Topic, ...]
    more: int


def present_traffic(context: Context, wanted: str = EVERYTHING) -> Traffic:
    """What arrived so far on the topics of a filter; asking goes on listening.

    What Littoral publishes itself is left out.
    """
    hearing = _listener().hear((wanted,))
    heard = {
        one.topic: one for one in hearing.messages if not is_own_output(one.topic, context.config)
    }
    explaining = _Explaining(context)
    reports = explaining.reports(list(heard.values()))
    in_order = sorted(reports, key=lambda one: (one.routed, one.topic))
    topics = tuple(
        Topic(
            heard[one.topic],
            one.payload if not heard[one.topic].too_long else "",
            one.routed,
            tuple(one.stored),
            tuple(one.refused),
            tuple(explaining.offer(each, heard[one.topic]) for each in one.suggestions),
        )
        for one in in_order[:MOST_SHOWN]
    )
    return Traffic(hearing, topics, len(in_order) - len(topics))


def last_message(topic: str) -> Heard | None:
    """The last message of a topic, of what is being heard; None if there was none."""
    found = (one for one in _listener().present().messages if one.topic == topic)
    return next(found, None)


def excerpt_of(heard: Heard) -> str:
    """The beginning of a payload, printable."""
    text = heard.payload[: 4 * EXCERPT].decode("utf-8", "backslashreplace")
    return printable(text)[:EXCERPT]


def preview(context: Context, route: RouteConfig, heard: Heard | None) -> Offer:
    """What a route would store of a message, and whether it goes with the others."""
    found = Suggestion(route)
    return _Explaining(context).offer(found, heard)


def _listener() -> BrokerListener:
    return app_singleton(
        BrokerListener, lambda one: BrokerListener(one.config.mqtt, one.clock, one.stopping)
    )


class _Explaining:
    """What is needed to explain messages, read once."""

    def __init__(self, context: Context) -> None:
        self._in_use = present_routes(context)
        self._tanks = context.registry.tank_ids()
        logs = context.registry.logs(kinds=[LogKind.CALIBRATION])
        self._calibrations = Calibrations(entry for log in logs.values() for entry in log)
        ingest = context.config.ingest
        self._limits = ClockLimits.of_seconds(ingest.late_after_s, ingest.future_s)
        self._prefix = context.config.mqtt.prefix

    def reports(self, heard: Sequence[Heard]) -> list[TopicReport]:
        return explain(
            [message_of(one) for one in heard],
            self._prefix,
            self._in_use.routes,
            self._tanks,
            self._calibrations,
            self._limits,
        )

    def offer(self, found: Suggestion, heard: Heard | None) -> Offer:
        route = found.route
        if found.left_open:
            return Offer(route, found.value, found.left_open, found.paths)
        said = why_refused(route, self._in_use.routes)
        stored: tuple[StoredAs, ...] = ()
        refused: tuple[str, ...] = () if said is None else (said,)
        if heard is not None and not said:
            report = route_preview(
                message_of(heard), route, self._tanks, self._calibrations, self._limits
            )
            stored, refused = tuple(report.stored), tuple(report.refused)
        return Offer(route, found.value, (), (), stored, refused)
