"""Ends of connections that look as if another client had the same id."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.reasoncodes import ReasonCode

from service.config import MqttConfig
from service.mqtt.retained import RetainedTopics
from service.mqtt.same_client_id import SameClientId
from tests.servers import Mosquitto, wait_until

SAME = "another client connects with the same client id, 'tanks'"


def end(value: int) -> ReasonCode:
    return ReasonCode(PacketTypes.DISCONNECT, identifier=value)


class Ends:
    """One client's ends of connections, and a clock that the test moves."""

    def __init__(self) -> None:
        self.now_s = 0.0
        self.seen = SameClientId("tanks", lambda: self.now_s)


def test_a_broker_that_gives_the_reason_is_believed_at_once() -> None:
    """MQTT 5.0, section 3.14.2.1: 0x8E, "Session taken over"."""
    ends = Ends()
    assert ends.seen.ended(end(0x8E)).startswith(SAME)
    assert ends.seen.fault.startswith(SAME)


def test_without_a_reason_the_second_end_within_two_minutes_counts() -> None:
    ends = Ends()
    assert "another client uses the client id 'tanks' too" in ends.seen.ended(end(0x80))
    assert ends.seen.fault == ""
    ends.now_s = 121.0
    assert ends.seen.fault == "" and not ends.seen.ended(end(0x80)).startswith(SAME)
    ends.now_s = 240.0
    assert ends.seen.ended(end(0x80)).startswith(SAME)
    ends.now_s = 540.0
    assert ends.seen.fault.startswith(SAME)
    ends.now_s = 540.1
    assert ends.seen.fault == ""


def test_a_broker_that_was_away_in_between_explains_the_ends() -> None:
    ends = Ends()
    ends.seen.ended(end(0x80))
    ends.seen.unreachable()
    assert not ends.seen.ended(end(0x80)).startswith(SAME)


def test_another_reason_is_reported_as_it_is() -> None:
    ends = Ends()
    for _ in range(2):
        assert ends.seen.ended(end(0x97)) == "the connection to the broker ended: Quota exceeded"
    assert ends.seen.fault == ""


def test_two_services_with_one_id_both_log_it(
    start_mosquitto: Callable[..., Mosquitto], tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    broker = start_mosquitto(tmp_path)
    both = [
        RetainedTopics(
            MqttConfig(url=broker.url, client_id="tanks"),
            role,
            qos=1,
            filters=["test/#"],
            identify=lambda *_: None,
        )
        for role in ("advice", "advice")
    ]
    for one in both:
        one.start()
    said = "same client id, 'tanks-advice', and the broker ends our connection each time"
    wait_until(lambda: said in caplog.text, why=lambda: caplog.text)
    for one in both:
        one.stop()
