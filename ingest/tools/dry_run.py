"""Listen for a while and say what would be stored or why not; nothing is written anywhere."""

from __future__ import annotations

import threading
import time
import uuid
from collections.abc import Collection, Sequence
from dataclasses import dataclass, field, replace
from typing import Any, Final

import paho.mqtt.client as mqtt

from ingest.decode.decoder import decode
from ingest.decode.message import Message, PayloadError, excerpt
from ingest.decode.routes import Router
from ingest.process.calibration import Calibrations
from ingest.receive.subscriptions import widened
from ingest.tools.route_suggestion import suggest_routes
from service.clock import Clock
from service.config import Config
from service.errors import ConfigError
from service.mqtt.connection import receiving_client
from service.registry.models import LogKind
from service.registry.registry import Registry
from service.times import from_us, to_us
from service.units import QUANTITIES

_TOPICS: Final = 1000
_EXCERPT: Final = 60


@dataclass(slots=True)
class Seen:
    """A topic and what became of its last message.

    Attributes:
        lines: for each value, what would be stored or why not.
        taken: something would be stored.
        route: routes to paste where no route takes the topic.
    """

    topic: str
    count: int = 0
    payload: str = ""
    lines: list[str] = field(default_factory=list)
    taken: bool = False
    route: str = ""


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
    router = Router(config.mqtt.prefix, config.routes)
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
    lines: list[str] = []
    for topic in sorted(messages):
        if router.wants(topic) and not router.targets(topic):
            continue  # Littoral publishes there itself
        seen = explain(messages[topic], router, tanks, calibrations)
        seen.count = counts[topic]
        lines += shown(seen)
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
    where = config.mqtt.url.rpartition("@")[2]
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
    message: Message, router: Router, tanks: Collection[str], calibrations: Calibrations
) -> Seen:
    """Say what would become of one message."""
    seen = Seen(message.topic, payload=excerpt(message.payload)[:_EXCERPT])
    targets = router.targets(message.topic)
    if not targets:
        seen.lines = ["not taken: no route for this topic"]
        seen.route = suggest_routes(message.topic, message.payload, tanks)
        return seen
    samples, rejections = decode(message, targets, tanks)
    for sample in samples:
        try:
            value, raw, flags = calibrations.apply(sample, sample.time_us or message.arrival_us)
        except PayloadError as error:
            seen.lines.append(f"rejected, {error.reason}: {error.detail}")
            continue
        seen.taken = True
        flags |= sample.doubt
        unit = QUANTITIES[sample.quantity].ucum
        from_raw = f" from {raw:g} {sample.raw or unit}" if raw is not None else ""
        at = "" if sample.time_us is None else f" at {from_us(sample.time_us):%Y-%m-%dT%H:%M:%SZ}"
        doubts = f" ({flags!r})" if flags else ""
        seen.lines.append(
            f"{sample.tank} {sample.quantity} {sample.sensor}: {value:g} {unit}"
            f"{from_raw}{at}{doubts}"
        )
    seen.lines += [f"rejected, {r.reason_code}: {r.detail}" for r in rejections]
    return seen


def shown(seen: Seen) -> list[str]:
    """A topic's lines for a terminal."""
    times = "once" if seen.count == 1 else f"{seen.count} times"
    lines = [f"{seen.topic}  {times}, last: {seen.payload}"]
    lines += [f"    {line}" for line in seen.lines]
    if seen.route:
        lines += ["    to take it:", *(f"        {line}" for line in seen.route.splitlines())]
    return lines
