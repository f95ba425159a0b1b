"""A running ingester takes over what changes in the routes of the registry; nothing is lost."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import UTC, datetime

import paho.mqtt.client as mqtt
import pytest
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from ingest.process.reference_data import ReferenceData
from ingest.receive.subscriptions import Subscriptions
from service.config import MqttConfig, RouteConfig
from tests.ingest.conftest import publish

NOW = datetime(2031, 5, 4, tzinfo=UTC)


def add(registry, *args, **keys):
    return registry.add_route(RouteConfig(*args, **keys), NOW, why_refused=lambda others: None)


def retained(broker, topic, payload):
    """Publish what the broker sends as soon as somebody subscribes."""
    publish(broker, topic, json.dumps(payload), "-r")


@pytest.mark.parametrize("protocol", ["5", "3.1.1"])
def test_a_running_ingester_takes_over_a_route_and_its_end(
    mosquitto, make_bench, protocol, monkeypatch
):
    monkeypatch.setitem(ReferenceData.refresh.__kwdefaults__, "at_least_s", 0.2)
    bench = make_bench(mosquitto, mqtt={"protocol": protocol})
    box, pack = f"yard{protocol}/box", f"yard{protocol}/pack"
    bench.config = replace(
        bench.config, routes=(RouteConfig(box, "reed", "temperature", path="water"),)
    )
    bench.start()
    retained(mosquitto, box, {"water": 24.5, "ph": 6.6})
    bench.wait_for("reed", "temperature")
    retained(mosquitto, pack, {"ph": 6.7})
    made = add(bench.registry, pack, "sedge", "ph", path="ph")
    bench.wait_for("sedge", "ph")
    retained(mosquitto, f"yard{protocol}/extra", {"ph": 6.8})
    second = add(bench.registry, f"yard{protocol}/+", "reed", "ph", "rear", path="ph")
    bench.wait_for("reed", "ph", "rear", count=1)
    lost = add(bench.registry, box, "reed", "temperature", path="air")
    bench.wait(lambda status: any(lost.id in error for error in status["errors"]))
    for one in (made, second, lost):
        bench.registry.delete_route(one.id)
    bench.wait(lambda status: not status["errors"])
    publish(mosquitto, pack, json.dumps({"ph": 6.9}))
    publish(mosquitto, box, json.dumps({"water": 25.5, "ph": 6.6}))
    bench.wait_for("reed", "temperature", count=2)
    assert [value for _, value, _ in bench.readings("sedge", "ph")] == [6.7]
    assert bench.registry.rejections() == []


class Notes(dict):
    """Notes in memory."""

    def note(self, name):
        return self.get(name)

    save_note = dict.__setitem__


class FakeClient:
    """A client that remembers what it was asked for."""

    def __init__(self):
        self.asked, self.given_up = [], []

    def is_connected(self):
        return True

    def subscribe(self, requests, properties=None):
        [number] = getattr(properties, "SubscriptionIdentifier", [None])
        self.asked += [(name, number) for name, _ in requests]
        return 0, len(self.asked)

    def unsubscribe(self, names):
        self.given_up += names
        return 0, 0


def copy_of(topic, *numbers):
    message = mqtt.MQTTMessage(topic=topic.encode())
    message.properties = Properties(PacketTypes.PUBLISH)
    if numbers:
        message.properties.SubscriptionIdentifier = numbers[0]
    return message


def test_a_number_belongs_to_its_filter_also_after_a_restart():
    notes, first = Notes(), FakeClient()
    config = MqttConfig("mqtt://localhost")
    before = Subscriptions(first, ["b/#", "b/+/x"], config, None, notes)
    before.subscribe(None)
    assert first.asked == [("b/#", 1), ("b/+/x", 2)]
    second = FakeClient()
    after = Subscriptions(second, ["a/#", "+/+/x", "b/+/x", "b/#"], config, None, notes)
    after.subscribe(None)
    assert sorted(second.asked, key=lambda one: one[1]) == [
        ("b/#", 1), ("b/+/x", 2), ("a/#", 3), ("+/+/x", 4),
    ]  # fmt: skip
    # What was sent before the restart carries the old numbers: the first filter's copy counts.
    assert not after.is_second_copy(copy_of("b/y/x", 1))
    assert after.is_second_copy(copy_of("b/y/x", 2))
    assert after.is_second_copy(copy_of("b/y/x", 4))


def test_a_new_filter_costs_no_message_that_is_on_its_way():
    client = FakeClient()
    ours = Subscriptions(client, ["b/x"], MqttConfig("mqtt://localhost"), None, Notes())
    ours.subscribe(None)
    assert client.asked == [("b/x", None)]
    ours.change(["b/#"])  # which covers the one that is there: that stays
    assert client.asked[1:] == [("b/x", 1), ("b/#", 2)]
    assert client.given_up == []
    assert not ours.is_second_copy(copy_of("b/x"))
    assert not ours.is_second_copy(copy_of("b/x", 1))
    assert ours.is_second_copy(copy_of("b/x", 2))
    ours.change(["c/x", "+/x"])
    assert client.given_up == ["b/#"]
    assert not ours.is_second_copy(copy_of("b/x", 1))


def test_the_only_copy_for_a_filter_that_is_given_up_counts():
    client = FakeClient()
    ours = Subscriptions(client, ["b/+", "b/x"], MqttConfig("mqtt://localhost"), None, Notes())
    ours.subscribe(None)
    ours.change(["+/x", "c"])
    assert client.given_up == ["b/+"]
    assert not ours.is_second_copy(copy_of("b/x", 1))
