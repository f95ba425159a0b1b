"""Explains what would become of messages: what would be stored, why not, and by which route."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass, field
from typing import Final

from ingest.decode.decoder import decode
from ingest.decode.message import Message, excerpt
from ingest.decode.routes import Router, Target
from ingest.decode.sample import Arrival
from ingest.process import Calibrations, ClockLimits, Processor, Unchanged
from ingest.tools.route_suggestion import Suggestion, suggestions
from service.config import RouteConfig
from service.quantities import QUANTITIES
from service.registry.models.ingest import Rejection
from service.store import Flag, Reading
from service.times import from_us

EXCERPT: Final = 120
"""Letters of a payload that are shown: it may be anybody's."""


@dataclass(frozen=True, slots=True)
class StoredAs:
    """A reading that would be stored.

    Attributes:
        unit: canonical, as UCUM code.
        sent: the number before calibration with its unit; "" where nothing changed it.
        time_us: of the device; None: it would be that of arrival.
    """

    tank: str
    quantity: str
    sensor: str
    value: float
    unit: str
    flags: Flag
    sent: str = ""
    time_us: int | None = None

    def __str__(self) -> str:
        from_sent = f" from {self.sent}" if self.sent else ""
        at = "" if self.time_us is None else f" at {from_us(self.time_us):%Y-%m-%dT%H:%M:%SZ}"
        flags = f" ({self.flags!r})" if self.flags else ""
        series = f"{self.tank} {self.quantity} {self.sensor}"
        return f"{series}: {self.value:g} {self.unit}{from_sent}{at}{flags}"


@dataclass(slots=True)
class TopicReport:
    """A topic and what would become of its last message.

    Attributes:
        routed: a route matches it, or it is one of our own.
        stored: what would be stored.
        refused: what would be rejected and why, a sentence each.
        suggestions: routes that would store it, where none matches.
    """

    topic: str
    payload: str
    routed: bool = True
    stored: list[StoredAs] = field(default_factory=list)
    refused: list[str] = field(default_factory=list)
    suggestions: tuple[Suggestion, ...] = ()

    @property
    def lines(self) -> list[str]:
        """The same in words."""
        if not self.routed:
            return ["ignored: no route for this topic"]
        return [*map(str, self.stored), *self.refused]


def explain(
    messages: Iterable[Message],
    prefix: str,
    routes: Iterable[RouteConfig],
    tanks: Collection[str],
    calibrations: Calibrations,
    limits: ClockLimits,
) -> list[TopicReport]:
    """Report what would become of messages; topics that are ours and no readings are left out.

    Args:
        prefix: first level(s) of our own topics.
        routes: in use.
        tanks: ids of the registered tanks.
    """
    router = Router(prefix, routes)
    processor = Processor(lambda: calibrations, limits, None)
    reports = []
    for message in sorted(messages, key=lambda one: one.arrival_us):
        targets = router.targets(message.topic)
        if not targets and router.wants(message.topic):
            continue
        report = TopicReport(message.topic, excerpt(message.payload)[:EXCERPT])
        reports.append(report)
        if not targets:
            report.routed = False
            report.suggestions = suggestions(message.topic, message.payload, tanks)
            continue
        _judge(report, message, targets, tanks, processor)
    return reports


def route_preview(
    message: Message,
    route: RouteConfig,
    tanks: Collection[str],
    calibrations: Calibrations,
    limits: ClockLimits,
) -> TopicReport:
    """What a route would make of a message, whatever other routes there are."""
    report = TopicReport(message.topic, excerpt(message.payload)[:EXCERPT])
    targets = Router("", [route]).targets(message.topic)
    _judge(report, message, targets, tanks, Processor(lambda: calibrations, limits, None))
    return report


def _judge(
    report: TopicReport,
    message: Message,
    targets: Sequence[Target],
    tanks: Collection[str],
    processor: Processor,
) -> None:
    samples, rejections, _ = decode(message, targets, tanks)
    scales = [sample.scale for sample in samples] + [None] * len(rejections)
    outcomes = processor.process([Arrival(message, samples, rejections)]).outcomes
    for outcome, scale in zip(outcomes, scales, strict=False):
        if isinstance(outcome, Rejection):
            report.refused.append(f"rejected, {outcome.reason_code}: {outcome.detail}")
        else:
            report.stored.append(_stored(outcome, scale, message.arrival_us))


def _stored(outcome: Reading | Unchanged, scale: str | None, arrival_us: int) -> StoredAs:
    reading = outcome.reading if isinstance(outcome, Unchanged) else outcome
    unit = QUANTITIES[reading.quantity].ucum
    return StoredAs(
        reading.tank,
        reading.quantity,
        reading.sensor,
        reading.value,
        unit,
        reading.flags,
        "" if reading.raw is None else f"{reading.raw:g} {scale or unit}",
        None if reading.time_us == arrival_us else reading.time_us,
    )
