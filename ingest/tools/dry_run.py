"""Dry run: listens for a while and reports what would be stored or why not; writes nothing."""

from __future__ import annotations

import threading
import time
import uuid
from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass, field, replace
from typing import Any, Final

import paho.mqtt.client as mqtt

from ingest.decode.decoder import decode
from ingest.decode.message import Message, excerpt
from ingest.decode.routes import Router
from ingest.decode.sample import Arrival
from ingest.decode.topic_filters import widened
from ingest.process import Calibrations, ClockLimits, Outcome, Processor, Unchanged
from ingest.tools.own_topics import is_own_output
from ingest.tools.route_suggestion import Suggestion, as_toml, suggestions
from service.clock import Clock
from service.config import Config
from service.errors import ConfigError
from service.log_format import printable
from service.mqtt.connection import receiving_client
from service.registry.models import LogKind, Rejection
from service.registry.registry import Registry
from service.times import from_us, to_us
from service.units import QUANTITIES
from service.urls import redacted

_TOPICS: Final = 1000
_EXCERPT: Final = 60


@dataclass(slots=True)
class TopicReport:
    """A topic and what would become of its last message.

    Attributes:
        lines: for each value, what would be stored or why not.
        suggestions: routes that would store it, where none matches the topic.
    """

    topic: str
    payload: str
    count: int = 1
    lines: list[str] = field(default_factory=list)
    suggestions: tuple[Suggestion, ...] = ()


def dry_run(
    config: Config,
    registry: Registry,
    clock: Clock,
    *,
    seconds: float,
    also: Sequence[str] = (),
    stop: threading.Event | None = None,
) -> list[str]:
    """Listen to the broker, as a client of its own that leaves nothing behind.

    Args:
        seconds: how long.
        also: further MQTT filters, to find foreign topics (``#`` for all).
        stop: ends it earlier.

    Returns:
        Lines to print, by topic.

    Raises:
        ConfigError: the broker cannot be reached or refuses, or a route is wrong.
    """
    router = Router(config.mqtt.prefix, config.routes, config.sensors)
    filters = widened([*router.filters(), *also])
    messages: dict[str, Message] = {}
    counts: dict[str, int] = {}

    def on_message(_client: mqtt.Client, _data: Any, message: mqtt.MQTTMessage) -> None:
        topic = message.topic
        if topic in counts or len(counts) < _TOPICS:
            counts[topic] = counts.get(topic, 0) + 1
            arrival_us = to_us(clock.now())
            messages[topic] = Message(
                topic, bytes(message.payload), arrival_us, retain=message.retain
            )

    _listen(config, filters, on_message, seconds, stop or threading.Event())
    tanks = registry.tank_ids()
    logs = registry.logs(kinds=[LogKind.CALIBRATION])
    calibrations = Calibrations(entry for log in logs.values() for entry in log)
    ingest = config.ingest
    limits = ClockLimits.of_seconds(ingest.late_after_s, ingest.future_s)
    heard = [one for one in messages.values() if not is_own_output(one.topic, config)]
    reports = explain(heard, router, tanks, calibrations, limits)
    lines: list[str] = []
    for report in sorted(reports, key=lambda one: one.topic):
        report.count = counts[report.topic]
        lines += _text(report, tanks)
    return lines or [f"no message on {', '.join(filters)} in {seconds:g} s"]


def _listen(
    config: Config, filters: Sequence[str], on_message: Any, seconds: float, stop: threading.Event
) -> None:
    visitor = replace(config.mqtt, client_id=f"dry-run-{uuid.uuid4().hex[:12]}", session_expiry_s=0)
    client = receiving_client(visitor, config.ingest.max_inflight, clean=True)
    client.manual_ack_set(False)
    refused: list[str] = []
    answered = threading.Event()

    def on_connect(_c: mqtt.Client, _d: Any, _flags: Any, reason: Any, _p: Any) -> None:
        if reason.is_failure:
            refused.append(str(reason))
            answered.set()
            return
        client.subscribe([(wanted, 0) for wanted in filters])

    def on_subscribe(_c: mqtt.Client, _d: Any, _mid: int, reasons: Any, _p: Any) -> None:
        refused.extend(str(reason) for reason in reasons if reason.is_failure)
        answered.set()

    client.on_connect = on_connect
    client.on_subscribe = on_subscribe
    client.on_message = on_message
    where = redacted(config.mqtt.url)
    try:
        client.reconnect()
    except OSError as error:
        raise ConfigError(f"mqtt.url: {where} cannot be reached: {error}") from error
    end_s = time.monotonic() + max(seconds, 10.0)
    while not answered.is_set() and time.monotonic() < end_s:
        client.loop(0.1)
    if refused or not answered.is_set():
        raise ConfigError(f"mqtt.url: {where} refuses: {', '.join(refused) or 'no answer'}")
    end_s = time.monotonic() + seconds
    while time.monotonic() < end_s and not stop.is_set():
        client.loop(0.1)
    client.disconnect()
    client.loop(0.1)


def explain(
    messages: Iterable[Message],
    router: Router,
    tanks: Collection[str],
    calibrations: Calibrations,
    limits: ClockLimits,
) -> list[TopicReport]:
    """Report what would become of messages; topics that are ours and no readings are left out."""
    processor = Processor(lambda: calibrations, limits, None)
    reports = []
    for message in sorted(messages, key=lambda one: one.arrival_us):
        targets = router.targets(message.topic)
        if not targets and router.wants(message.topic):
            continue
        report = TopicReport(message.topic, excerpt(message.payload)[:_EXCERPT])
        reports.append(report)
        if not targets:
            report.lines = ["ignored: no route for this topic"]
            report.suggestions = suggestions(message.topic, message.payload, tanks)
            continue
        samples, rejections, _ = decode(message, targets, tanks)
        scales = [sample.scale for sample in samples] + [None] * len(rejections)
        outcomes = processor.process([Arrival(message, samples, rejections)]).outcomes
        report.lines = [
            _outcome_text(outcome, scale, message.arrival_us)
            for outcome, scale in zip(outcomes, scales, strict=False)
        ]
    return reports


def _outcome_text(outcome: Outcome, scale: str | None, arrival_us: int) -> str:
    if isinstance(outcome, Rejection):
        return f"rejected, {outcome.reason_code}: {outcome.detail}"
    reading = outcome.reading if isinstance(outcome, Unchanged) else outcome
    unit = QUANTITIES[reading.quantity].ucum
    from_raw = "" if reading.raw is None else f" from {reading.raw:g} {scale or unit}"
    at = ""
    if reading.time_us != arrival_us:
        at = f" at {from_us(reading.time_us):%Y-%m-%dT%H:%M:%SZ}"
    flags = f" ({reading.flags!r})" if reading.flags else ""
    series = f"{reading.tank} {reading.quantity} {reading.sensor}"
    return f"{series}: {reading.value:g} {unit}{from_raw}{at}{flags}"


def _text(report: TopicReport, tanks: Collection[str]) -> list[str]:
    """A topic's lines for a terminal."""
    times = "once" if report.count == 1 else f"{report.count} times"
    lines = [f"{report.topic}  {times}, last: {report.payload}"]
    lines += [f"    {line}" for line in report.lines]
    if report.suggestions:
        left_open = any(one.left_open for one in report.suggestions)
        open_words = ", with what is left open filled in" if left_open else ""
        text = "\n".join(as_toml(one, tanks) for one in report.suggestions)
        lines += [
            f"    add this route to store it{open_words}:",
            *(f"        {line}" for line in text.splitlines()),
        ]
    return [printable(line) for line in lines]
