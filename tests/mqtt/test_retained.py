"""Retained topics at a real broker: published, replaced, withdrawn, published again."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import paho.mqtt.publish as publish
from pytest import LogCaptureFixture

from service.config import MqttConfig
from service.mqtt.connection import Will
from service.mqtt.retained import Leftover, RetainedTopics
from tests.integrations.retained import retained_at
from tests.servers import HOST, Mosquitto, wait_until

Start = Callable[..., Mosquitto]


def identify(topic: str, payload: bytes) -> Leftover | None:
    """``test/<group>/<name>``; the message ``mark`` shows that the group is ours."""
    _, group, name = topic.split("/")
    return None if group == "foreign" else Leftover(group, [topic], ours=name == "mark")


@contextmanager
def retained_topics(url: str, will: Will | None = None) -> Iterator[RetainedTopics]:
    config = MqttConfig(url=url)
    topics = RetainedTopics(config, "test", qos=1, filters=["test/#"], identify=identify, will=will)
    topics.start()
    try:
        yield topics
    finally:
        topics.stop()


def at_broker(broker: Mosquitto, expected: dict[str, str]) -> None:
    """Wait until exactly these messages are retained."""
    wait_until(
        lambda: retained_at(broker.port, "test/#") == expected,
        why=lambda: str(retained_at(broker.port, "test/#")),
    )


def put(broker: Mosquitto, messages: dict[str, str]) -> None:
    publish.multiple(
        [(topic, payload, 1, True) for topic, payload in messages.items()], HOST, broker.port
    )


def test_a_group_is_replaced_and_withdrawn(start_mosquitto: Start, tmp_path: Path) -> None:
    broker = start_mosquitto(tmp_path)
    with retained_topics(broker.url) as topics:
        topics.set("a", {"test/a/x": "1", "test/a/y": "2"})  # perhaps before it is connected
        topics.set("b", {"test/b/x": "3", "test/b/empty": ""})
        at_broker(broker, {"test/a/x": "1", "test/a/y": "2", "test/b/x": "3"})
        assert topics.is_connected
        topics.set("a", {"test/a/x": "1", "test/a/z": "4"})
        assert topics.messages("a") == {"test/a/x": "1", "test/a/z": "4"}
        at_broker(broker, {"test/a/x": "1", "test/a/z": "4", "test/b/x": "3"})
        topics.retain_only(["b"])
        assert topics.messages("a") == {}
        at_broker(broker, {"test/b/x": "3"})


def test_what_an_earlier_run_left_goes_whether_it_is_seen_before_or_after(
    start_mosquitto: Start, tmp_path: Path
) -> None:
    broker = start_mosquitto(tmp_path)
    foreign = {"test/foreign/x": "0", "test/other/x": "1"}  # the second has no mark of ours
    ours = {"test/gone/mark": "1", "test/gone/x": "2", "test/gone/y": "3"}
    for seen_first in (True, False):
        put(broker, {**foreign, **ours, "test/a/old": "4"})
        with retained_topics(broker.url) as topics:
            if seen_first:
                wait_until(lambda topics=topics: topics.is_connected)  # type: ignore[misc]
                retained_at(broker.port)  # a round trip: by then its leftovers were sent to it
            topics.retain_only(["a"])
            topics.set("a", {"test/a/x": "5"})
            at_broker(broker, {**foreign, "test/a/x": "5"})
        put(broker, {"test/a/x": ""})


def test_all_is_published_again_to_a_broker_that_comes_back_empty(
    start_mosquitto: Start, tmp_path: Path
) -> None:
    broker = start_mosquitto(tmp_path)
    with retained_topics(broker.url) as topics:
        topics.set("a", {"test/a/x": "1"})
        at_broker(broker, {"test/a/x": "1"})
        broker.restart()
        at_broker(broker, {"test/a/x": "1"})


def test_the_last_messages_are_sent_and_the_will_is_not(
    start_mosquitto: Start, tmp_path: Path
) -> None:
    broker = start_mosquitto(tmp_path)
    with retained_topics(broker.url, Will("test/a/state", "lost", 1)) as topics:
        topics.set("a", {"test/a/state": "ready"})
        at_broker(broker, {"test/a/state": "ready"})
        topics.stop([("test/a/state", "off")])
        at_broker(broker, {"test/a/state": "off"})


def test_a_broker_that_refuses_is_logged(
    start_mosquitto: Start, tmp_path: Path, caplog: LogCaptureFixture
) -> None:
    broker = start_mosquitto(tmp_path, "allow_anonymous false")
    with retained_topics(broker.url) as topics:
        wait_until(lambda: "refuses the client of integration test" in caplog.text)
        assert not topics.is_connected
