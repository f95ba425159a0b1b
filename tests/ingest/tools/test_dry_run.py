"""``littoral ingest --dry-run``: what would be stored, why not, and a route to paste."""

from __future__ import annotations

import threading
from dataclasses import replace

import pytest

from ingest.decode.message import Message
from ingest.process import Calibrations, ClockLimits
from ingest.tools.dry_run import dry_run
from ingest.tools.explanation import explain
from service.clock import SystemClock
from service.config import RouteConfig, load_config
from service.errors import ConfigError
from tests.ingest.conftest import publish
from tests.ingest.load import PATIENCE_S
from tests.servers import free_port, wait_until

TANKS = frozenset({"reed", "sedge"})


def lines(topic, payload):
    messages = [Message(topic, payload, 1)]
    (report,) = explain(messages, "littoral", (), TANKS, Calibrations(), ClockLimits(10, 10))
    return report.lines


def test_explains_what_is_stored_and_what_is_not():
    assert lines("littoral/reed/temperature", b"72.5 degF") == ["reed temperature main: 22.5 Cel"]
    assert lines("littoral/reed/ph", b"0 mV") == [
        "reed ph main: 7 [pH] from 0 mV (<Flag.UNCALIBRATED: 32>)"
    ]
    (line,) = lines("littoral/pond/ph", b"6.6")
    assert line.startswith("rejected, unknown-tank: tank is 'pond'")
    assert lines("littoral/reed/temperature", b"4711") == [
        "reed temperature main: 4711 Cel (<Flag.IMPLAUSIBLE: 1>)"
    ]
    assert lines("shed/x", b"1") == ["ignored: no route for this topic"]


class HeardClock(SystemClock):
    """A clock that knows how often it was asked: once for each message heard."""

    heard = 0

    def now(self):
        self.heard += 1
        return super().now()


def test_listens_to_a_broker_and_leaves_nothing_behind(mosquitto, make_bench):
    bench = make_bench(mosquitto)
    stop = threading.Event()
    clock = HeardClock()
    found: list[str] = []

    def listen():
        found.extend(
            dry_run(bench.config, bench.registry, clock, seconds=600, also=["#"], stop=stop)
        )

    publish(mosquitto, "yard/sedge/temp", "24.5", "-r")
    thread = threading.Thread(target=listen)
    thread.start()
    wait_until(lambda: clock.heard == 1)  # what lies retained comes at once: it has subscribed
    for _ in range(3):
        publish(mosquitto, "littoral/reed/temperature", "24.5")
    publish(mosquitto, "littoral/reed/advice/co2-low", "{}")
    wait_until(lambda: clock.heard == 5)
    stop.set()
    thread.join(PATIENCE_S)
    text = "\n".join(found)
    assert "littoral/reed/temperature  3 times, last: 24.5\n    reed temperature main: 24.5" in text
    assert 'topic = "yard/{tank}/{quantity}"' in text
    assert "advice" not in text
    assert bench.readings("reed", "temperature") == []
    assert bench.registry.rejections() == []


class NoRoutes:
    """A registry without routes, of which nothing more is asked."""

    def routes(self):
        return ()


def test_broker_that_is_not_there_is_one_sentence():
    config = load_config(None, {"LITTORAL_MQTT__URL": f"mqtt://127.0.0.1:{free_port()}"})
    with pytest.raises(ConfigError, match=r"mqtt\.url: .* cannot be reached"):
        dry_run(config, NoRoutes(), SystemClock(), seconds=1)


def test_routes_that_would_lose_a_value_are_refused_before_listening():
    config = load_config(None, {})
    two = [RouteConfig("shed/box", "reed", "temperature", path=path) for path in ("a", "b")]
    with pytest.raises(ConfigError, match="two values into one series"):
        dry_run(replace(config, routes=tuple(two)), None, SystemClock(), seconds=1)
