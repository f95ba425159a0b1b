"""``littoral ingest --dry-run``: what would be stored, why not, and a route to paste."""

from __future__ import annotations

import json
import threading

import pytest

from ingest.decode.decoder import decode
from ingest.decode.message import Message
from ingest.decode.routes import Router
from ingest.process import Calibrations, ClockLimits
from ingest.tools.dry_run import dry_run, explain
from ingest.tools.route_suggestion import suggest_routes
from service.clock import SystemClock
from service.config import load_config
from service.errors import ConfigError
from tests.ingest.conftest import publish
from tests.ingest.load import PATIENCE_S
from tests.servers import free_port, wait_until

TANKS = frozenset({"reed", "sedge"})


@pytest.mark.parametrize(
    ("topic", "payload", "expected"),
    [
        ("shed/reed/temperature", b"24.5", [("reed", "temperature", 24.5)]),
        ("shed/reed/temp/state", b"24.5", [("reed", "temperature", 24.5)]),
        ("shed/7/lux", b'{"value": 900}', [("reed", "illuminance", 900)]),
        (
            "shed/box-1",
            json.dumps({"rssi": -60, "water": {"temp": 24.5, "pH": 6.6}, "up": True}).encode(),
            [("reed", "temperature", 24.5), ("reed", "ph", 6.6)],
        ),
        ('odd"topic/reed/par', b'[{"x": 3}, 5]', [("reed", "ppfd", 3)]),
        ("shed/unknown", b"24.5", [("reed", "temperature", 24.5)]),
    ],
)
def test_pasted_route_takes_the_message(tmp_path, topic, payload, expected):
    file = tmp_path / "littoral.toml"
    file.write_text(suggest_routes(topic, payload, TANKS))
    router = Router("littoral", load_config(file, {}).routes)
    samples, rejections, _ = decode(Message(topic, payload, 1), router.targets(topic), TANKS)
    assert [(s.tank, s.quantity, s.value) for s in samples] == expected
    assert list(rejections) == []


def lines(topic, payload):
    messages = [Message(topic, payload, 1)]
    (report,) = explain(messages, Router("littoral"), TANKS, Calibrations(), ClockLimits(10, 10))
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


def test_broker_that_is_not_there_is_one_sentence():
    config = load_config(None, {"LITTORAL_MQTT__URL": f"mqtt://127.0.0.1:{free_port()}"})
    with pytest.raises(ConfigError, match=r"mqtt\.url: .* cannot be reached"):
        dry_run(config, None, SystemClock(), seconds=1)


@pytest.mark.parametrize(("others", "found"), [(199, True), (200, False)])
def test_two_hundred_numbers_of_a_payload_are_looked_at(others, found):
    """More than a sensor sends; a hostile document is not walked to its end."""
    numbers = {f"x{n}": n for n in range(others)} | {"warmth": {"temperature": 24.5}}
    text = suggest_routes("yard/reed/all", json.dumps(numbers).encode(), TANKS)
    assert ('path = "warmth.temperature"' in text) is found
