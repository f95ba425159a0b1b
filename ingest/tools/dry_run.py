"""Dry run: listens for a while and reports what would be stored or why not; writes nothing."""

from __future__ import annotations

import threading
import time
from collections.abc import Collection, Sequence
from typing import Final

from ingest.decode.message import Message
from ingest.decode.route_table import routes_in_use
from ingest.decode.routes import Router
from ingest.decode.topic_filters import widened
from ingest.process import Calibrations, ClockLimits
from ingest.tools.explanation import TopicReport, explain
from ingest.tools.own_topics import is_own_output
from ingest.tools.route_suggestion import as_toml
from service.clock import Clock
from service.config import Config
from service.errors import ConfigError
from service.log_format import printable
from service.mqtt.listening import BrokerListener, Heard, Hearing
from service.registry.models.log import LogKind
from service.registry.registry import Registry

#: How long the broker may take to answer, s.
_ANSWERS_WITHIN_S: Final = 10.0
_TICK_S: Final = 0.2
#: Letters of a payload on its line.
_SHOWN: Final = 60


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
    Router(config.mqtt.prefix, config.routes)
    routes = routes_in_use(config.routes, registry.routes())
    router = Router(config.mqtt.prefix, routes.routes, config.sensors)
    filters = widened([*router.filters(), *also])
    heard = _heard(config, clock, filters, seconds, stop or threading.Event())
    logs = registry.logs(kinds=[LogKind.CALIBRATION])
    calibrations = Calibrations(entry for log in logs.values() for entry in log)
    limits = ClockLimits.of_seconds(config.ingest.late_after_s, config.ingest.future_s)
    tanks = registry.tank_ids()
    messages = [message_of(one) for one in heard if not is_own_output(one.topic, config)]
    counts = {one.topic: one.count for one in heard}
    reports = explain(messages, config.mqtt.prefix, routes.routes, tanks, calibrations, limits)
    lines = [f"route {id} is not used: {said}" for id, said in routes.left_out.items()]
    for report in sorted(reports, key=lambda one: one.topic):
        lines += _text(report, counts[report.topic], tanks)
    return lines or [f"no message on {', '.join(filters)} in {seconds:g} s"]


def message_of(one: Heard) -> Message:
    """What was heard as a message that has just arrived."""
    return Message(
        one.topic, one.payload, one.arrival_us, retain=one.retain, too_large=one.too_long
    )


def _heard(
    config: Config, clock: Clock, filters: Sequence[str], seconds: float, stop: threading.Event
) -> Sequence[Heard]:
    listener = BrokerListener(config.mqtt, clock, stop)
    end_s = time.monotonic() + _ANSWERS_WITHIN_S
    found = _checked(listener.hear(filters))
    while not found.listening and time.monotonic() < end_s:
        stop.wait(_TICK_S)
        found = _checked(listener.hear(filters))
    if not found.listening:
        raise ConfigError("mqtt.url: the broker gives no answer")
    end_s = time.monotonic() + seconds
    while time.monotonic() < end_s and not stop.wait(_TICK_S):
        _checked(listener.hear(filters))
    return listener.hear(filters).messages


def _checked(found: Hearing) -> Hearing:
    if found.trouble:
        raise ConfigError(f"mqtt.url: {found.trouble}")
    return found


def _text(report: TopicReport, count: int, tanks: Collection[str]) -> list[str]:
    """A topic's lines for a terminal."""
    times = "once" if count == 1 else f"{count} times"
    lines = [f"{report.topic}  {times}, last: {report.payload[:_SHOWN]}"]
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
