"""Listening for a while: one connection, bounded in topics, bytes and time; it leaves nothing."""

from __future__ import annotations

import threading
from itertools import count

import pytest

from service.clock import SystemClock
from service.config import MqttConfig
from service.mqtt import listening
from service.mqtt.listening import BrokerListener
from tests.ingest.conftest import publish
from tests.servers import HOST, free_port, wait_until


@pytest.fixture
def listener(mosquitto):
    stopping = threading.Event()
    yield BrokerListener(MqttConfig(f"mqtt://{HOST}:{mosquitto.port}"), SystemClock(), stopping)
    stopping.set()


def threads():
    return {one for one in threading.enumerate() if one.name == "broker-listener"}


def test_hears_the_last_message_of_each_topic(mosquitto, listener):
    before = threads()
    wait_until(lambda: listener.hear(("heard/#",)).listening)
    for value in range(3):
        publish(mosquitto, "heard/a", f"{value}")
    publish(mosquitto, "heard/long", "x" * 20_000)
    publish(mosquitto, "elsewhere", "1")
    publish(mosquitto, "heard/z", "1")
    found = lambda: {one.topic: one for one in listener.hear(("heard/#",)).messages}  # noqa: E731
    wait_until(lambda: "heard/z" in found())
    assert set(found()) == {"heard/a", "heard/long", "heard/z"}
    assert (found()["heard/a"].payload, found()["heard/a"].count) == (b"2", 3)
    assert (found()["heard/long"].payload, found()["heard/long"].too_long) == (b"", 20_000)
    assert len(threads() - before) == 1
    wait_until(lambda: listener.hear(("other/#",)).listening)
    assert listener.hear(("other/#",)).messages == ()
    wait_until(lambda: len(threads() - before) == 1)


def test_topics_and_bytes_have_a_limit(mosquitto, listener, monkeypatch):
    monkeypatch.setattr(listening, "MOST_TOPICS", 3)
    monkeypatch.setattr(listening, "MOST_BYTES", 100)
    wait_until(lambda: listener.hear(("many/#",)).listening)
    publish(mosquitto, "many/0", "x" * 60)
    publish(mosquitto, "many/1", "x" * 60)
    for number in range(2, 6):
        publish(mosquitto, f"many/{number}", "x")
    wait_until(lambda: listener.hear(("many/#",)).left_out == 3)
    assert [one.topic for one in listener.hear(("many/#",)).messages] == [
        "many/0", "many/2", "many/3",
    ]  # fmt: skip


def test_it_ends_when_nobody_asks_any_more(mosquitto, listener, monkeypatch):
    monkeypatch.setattr(listening, "UNASKED_S", 0.3)
    before = threads()
    wait_until(lambda: listener.hear(("quiet/#",)).listening)
    wait_until(lambda: not threads() - before)
    numbers = count()
    wait_until(lambda: next(numbers) >= 0 and listener.hear(("quiet/#",)).listening)


def test_who_only_reads_does_not_make_it_go_on(mosquitto, listener, monkeypatch):
    monkeypatch.setattr(listening, "UNASKED_S", 0.3)
    before = threads()
    wait_until(lambda: listener.hear(("read/#",)).listening)
    publish(mosquitto, "read/a", "1")
    wait_until(lambda: listener.present().messages)
    wait_until(lambda: listener.present().messages and not threads() - before)


def test_a_flood_ends_it_with_what_to_do(mosquitto, listener, monkeypatch):
    monkeypatch.setattr(listening, "MOST_A_SECOND", 0)
    wait_until(lambda: listener.hear(("fast/#",)).listening)
    publish(mosquitto, "fast/a", "1")
    wait_until(lambda: "narrower topic filter" in listener.hear(("fast/#",)).trouble)


def test_a_broker_that_is_away_is_one_sentence_without_a_password():
    stopping = threading.Event()
    config = MqttConfig(f"mqtt://somebody:secret@{HOST}:{free_port()}")
    away = BrokerListener(config, SystemClock(), stopping)
    wait_until(lambda: away.hear(("#",)).trouble != "")
    said = away.hear(("#",)).trouble
    assert "cannot be reached" in said
    assert "secret" not in said
    stopping.set()
