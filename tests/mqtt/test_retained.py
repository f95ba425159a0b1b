"""Retained topics at a real broker: published, replaced, withdrawn, published again."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import paho.mqtt.publish as publish
import pytest
from pytest import LogCaptureFixture

from service.config import MqttConfig
from service.mqtt import own_subscriptions
from service.mqtt.connection import Will
from service.mqtt.differences import MOST_AT_ONCE, MOST_NOTED, Differences
from service.mqtt.leftovers import Leftover
from service.mqtt.retained import RetainedTopics
from tests.integrations.retained import retained_at
from tests.mqtt import raw_broker
from tests.mqtt.raw_broker import PUBACK, SUBSCRIBE, RawBroker
from tests.servers import HOST, Mosquitto, wait_until

Start = Callable[..., Mosquitto]


def identify(topic: str, payload: bytes) -> Leftover | None:
    """``test/<group>/<name>``; the message ``mark`` shows that the group is ours."""
    _, group, name = topic.split("/")
    return None if group == "foreign" else Leftover(group, [topic], ours=name == "mark")


@contextmanager
def retained_topics(
    url: str, will: Will | None = None, protocol: str = "5", qos: int = 1
) -> Iterator[RetainedTopics]:
    config = MqttConfig(url=url, protocol=protocol)
    topics = RetainedTopics(
        config, "test", qos=qos, filters=["test/#"], identify=identify, will=will
    )  # fmt: skip
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


# -- what others write


OURS = {"test/a/x": "1", "test/a/y": "2", "test/a/empty": ""}


def mended(topics: RetainedTopics, broker: Mosquitto, expected: dict[str, str]) -> None:
    """Wait until evaluations have led to exactly these retained messages."""

    def evaluated() -> bool:
        topics.retain_only(["a"])
        return retained_at(broker.port, "test/#") == expected

    wait_until(evaluated, why=lambda: str(retained_at(broker.port, "test/#")))


@pytest.mark.parametrize("protocol", ["5", "3.1.1"])
@pytest.mark.parametrize("qos", [1, 2])
def test_what_others_write_is_mended_at_the_next_evaluation(
    start_mosquitto: Start, tmp_path: Path, protocol: str, qos: int, caplog: LogCaptureFixture
) -> None:
    broker = start_mosquitto(tmp_path)
    with retained_topics(broker.url, protocol=protocol, qos=qos) as topics:
        topics.retain_only(["a"])
        topics.set("a", OURS)
        at_broker(broker, {"test/a/x": "1", "test/a/y": "2"})
        put(broker, {"test/a/x": "forged", "test/a/y": "", "test/a/empty": "filled"})
        mended(topics, broker, {"test/a/x": "1", "test/a/y": "2"})
        assert topics.mended == 3
        logged = [one for one in caplog.messages if "was not as it was published" in one]
        assert len(logged) == 1


@pytest.mark.parametrize("protocol", ["5", "3.1.1"])
def test_what_others_add_is_emptied_and_what_is_theirs_stays(
    start_mosquitto: Start, tmp_path: Path, protocol: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(own_subscriptions, "RENEW_S", 0.0)
    broker = start_mosquitto(tmp_path)
    theirs = {"test/foreign/x": "0", "test/other/x": "1"}
    with retained_topics(broker.url, protocol=protocol) as topics:
        topics.retain_only(["a"])
        topics.set("a", OURS)
        at_broker(broker, {"test/a/x": "1", "test/a/y": "2"})
        put(broker, {"test/a/new": "forged", **theirs})
        mended(topics, broker, {"test/a/x": "1", "test/a/y": "2", **theirs})
        assert topics.mended == 1


def test_what_we_publish_ourselves_is_never_taken_for_anothers(
    start_mosquitto: Start, tmp_path: Path
) -> None:
    """By MQTT 3.1.1 the broker sends it back, an older message after a newer one was published."""
    broker = start_mosquitto(tmp_path)
    with retained_topics(broker.url, protocol="3.1.1") as topics:
        for number in range(300):
            topics.set("a", {"test/a/x": str(number), f"test/a/n{number % 7}": str(number)})
            topics.retain_only(["a"])
        last = {"test/a/x": "299", f"test/a/n{299 % 7}": "299"}
        mended(topics, broker, last)
        assert topics.mended == 0


def test_two_writers_do_not_go_on_for_ever_at_full_speed() -> None:
    differences, now_s, mended_s = Differences(), 0.0, []
    while now_s < 24 * 3600:
        differences.note("a/b")  # the other one writes at once again
        if differences.take_due({"a/b"}, now_s):
            mended_s.append(now_s)
        now_s += 10.0
    assert mended_s[:5] == [0.0, 60.0, 180.0, 420.0, 900.0]
    assert len(mended_s) < 40
    differences.settle("a/b")
    now_s += 2 * 3600  # a calm hour after the wait, and all is forgotten
    assert differences.take_due({"a/b"}, now_s) == []
    differences.note("a/b")
    assert differences.take_due({"a/b"}, now_s) == ["a/b"]
    differences.note("a/b")
    assert differences.take_due({"a/b"}, now_s + 61) == ["a/b"]


def test_a_flood_of_topics_is_bounded() -> None:
    differences = Differences()
    for number in range(100_000):
        if not differences.take_at_once():
            differences.note(f"a/{number}")
    assert (differences.mended, len(differences)) == (MOST_AT_ONCE, MOST_NOTED)
    assert len(differences.take_due((), 0.0)) == MOST_AT_ONCE


def test_a_topic_that_is_no_text_does_not_end_the_connection() -> None:
    raw = RawBroker()
    try:
        with retained_topics(f"mqtt://{HOST}:{raw.port}") as topics:
            wait_until(lambda: topics.is_connected and raw.bodies(SUBSCRIBE) != [])
            raw.send(raw_broker.publish(b"test/\xff/x", b"1", qos=1, mid=8, props=b"\x01\x01"))
            raw.send(raw_broker.publish(b"test/a/x", b"1", qos=1, mid=9))
            wait_until(lambda: [one[1] for one in raw.bodies(PUBACK)] == [8, 9])
            assert topics.is_connected
    finally:
        raw.close()
