"""The messages for home-automation hubs over a real broker."""

from __future__ import annotations

import json
import re
import threading
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import paho.mqtt.client as mqtt
import paho.mqtt.publish as publish
import pytest
from paho.mqtt.enums import CallbackAPIVersion

from ingest.decode.routes import Router
from service.advice.engine.history.ledger import Ledger
from service.advice.engine.recommendation import Amount, Severity
from service.config import HubOptions, RouteConfig
from service.version import package_version
from tests.advice.engine.test_ledger import at, finding
from tests.derive.pieces import NOON, a_tank
from tests.integrations.conftest import Home
from tests.integrations.hub.hubbish import BY_DEVICE, BY_ENTITY, Hubbish, Start, hub
from tests.integrations.relay import Relay
from tests.integrations.retained import retained_at
from tests.servers import wait_until

STATUS = "littoral/$hub/littoral/$status/littoral-ingest"


@pytest.mark.parametrize("options", [BY_ENTITY, BY_DEVICE], ids=["entity", "device"])
def test_a_tank_is_a_device_with_its_entities(
    home: Home, start_mosquitto: Start, tmp_path: Path, options: HubOptions
) -> None:
    broker = start_mosquitto(tmp_path)
    home.measure("reed", conductivity=412.0, dissolved_oxygen=8.4)
    with (
        hub(broker.url, options, public_url="https://tanks.example/") as integration,
        Hubbish(broker.port) as reader,
    ):
        scheduler = home.scheduler(integration)
        scheduler.evaluate_all()
        wait_until(reader.follows)
        document = reader.devices["littoral-reed"]
        assert document["dev"] == {
            "ids": ["littoral-reed"], "name": "Reed bed", "mf": "Littoral", "mdl": "Planted tank",
            "sw": package_version(), "cu": "https://tanks.example/tanks/reed",
        }  # fmt: skip
        assert document["o"]["name"] == "Littoral"
        components = {
            key.removeprefix("littoral-reed-"): one.component
            for key, one in reader.entities.items()
        }
        for one in components.values():
            assert one["p"] in ("sensor", "binary_sensor", "event")
            # they exclude each other
            assert "availability" in one and "availability_topic" not in one
            assert one.get("expire_after") == (None if one["p"] == "event" else 60)
            assert ("unit_of_measurement" in one) <= ("state_class" in one)
        temperature = components["temperature"]
        assert (temperature["device_class"], temperature["unit_of_measurement"]) == (
            "temperature",
            "\u00b0C",
        )
        assert components["ph"]["device_class"] == "ph"
        assert "unit_of_measurement" not in components["ph"]
        assert "device_class" not in components["ppfd"]
        assert components["co2"]["unit_of_measurement"] == "mg/L"
        assert components["co2_state"]["options"] == ["below", "within", "above"]
        assert components["illuminance"]["device_class"] == "illuminance"
        assert components["illuminance"]["unit_of_measurement"] == "lx"
        assert "device_class" not in components["conductivity"]
        assert components["worst"]["options"] == ["none", "info", "advice", "warning", "urgent"]
        for severity in ("info", "advice", "warning", "urgent"):
            assert components[severity]["p"] == "binary_sensor"
        levels = {topic.split("/")[1] for topic in reader.announced}
        expected = {"device"} if options is BY_DEVICE else {"sensor", "binary_sensor", "event"}
        assert levels == expected

        wait_until(reader.follows)
        scheduler.evaluate_all()  # states come with each evaluation
        wait_until(lambda: reader.state("temperature") == "24")
        wait_until(lambda: reader.state("urgent") == "OFF")  # the last of an evaluation
        wait_until(lambda: reader.state("lit") == "ON")
        wait_until(lambda: reader.state("ppfd") == "174")
        wait_until(lambda: reader.state("illuminance") == "12000")
        wait_until(lambda: reader.state("conductivity") == "412")
        wait_until(lambda: reader.state("oxygen") == "8.4")
        wait_until(lambda: reader.state("co2_state") == "below")
        wait_until(lambda: reader.state("worst") in components["worst"]["options"])
        assert re.fullmatch("[0-9]+", reader.state("open") or "")


def test_a_stale_sensor_is_unavailable(home: Home, start_mosquitto: Start, tmp_path: Path) -> None:
    broker = start_mosquitto(tmp_path)
    with hub(broker.url) as integration, Hubbish(broker.port) as reader:
        scheduler = home.scheduler(integration)
        scheduler.evaluate_all()
        wait_until(reader.follows)
        scheduler.evaluate_all()
        wait_until(lambda: reader.state("lit") == "ON")
        home.clock.moment = NOON + timedelta(hours=5)
        home.measure("reed", ph=6.9)
        scheduler.evaluate_all()
        wait_until(lambda: reader.state("temperature") is None)
        wait_until(lambda: reader.state("lit") is None)
        wait_until(lambda: reader.state("illuminance") is None)
        wait_until(lambda: reader.state("ph") == "6.9")
        wait_until(lambda: reader.state("open") is not None)


def test_severities_switch_on_and_off(home: Home, start_mosquitto: Start, tmp_path: Path) -> None:
    broker = start_mosquitto(tmp_path)
    with hub(broker.url) as integration, Hubbish(broker.port) as reader:
        ledger = Ledger(home.registry)
        view = at(NOON)
        both = [finding("a", Severity.WARNING), finding("b", Severity.ADVICE)]
        integration.update(view, ledger.update(view, both))
        wait_until(reader.follows)
        integration.update(view, ledger.update(view, both))
        for key, state in {"warning": "ON", "advice": "ON", "info": "OFF", "urgent": "OFF"}.items():
            wait_until(lambda key=key, state=state: reader.state(key) == state)  # type: ignore[misc]
        wait_until(lambda: reader.state("worst") == "warning")
        wait_until(lambda: reader.state("open") == "2")
        later = at(NOON + timedelta(hours=2))
        integration.update(later, ledger.update(later, [finding("b", Severity.ADVICE)]))
        wait_until(lambda: reader.state("warning") == "OFF")
        wait_until(lambda: reader.state("worst") == "advice")
        wait_until(lambda: reader.state("open") == "1")


def test_the_words_come_with_what_to_do_first_and_with_events(
    home: Home, start_mosquitto: Start, tmp_path: Path
) -> None:
    broker = start_mosquitto(tmp_path)
    with hub(broker.url) as integration, Hubbish(broker.port) as reader:
        ledger = Ledger(home.registry)
        view = at(NOON)
        integration.update(view, ledger.update(view, []))
        wait_until(reader.follows)
        heat = replace(
            finding("heat", Severity.URGENT),
            title="Cool the tank: 31.2 °C",
            amounts=(Amount("ice", 2.0, "kg"),),
            cautions=("Unplug what stands in the water first.",),
            due=NOON + timedelta(hours=1),
        )
        both = [heat, finding("b", Severity.ADVICE)]
        integration.update(view, ledger.update(view, both))
        wait_until(lambda: reader.state("first") == "Cool the tank: 31.2 °C")
        first, event = reader.entity("first"), reader.entity("event")
        assert first.attributes["severity"] == "urgent"
        assert first.attributes["action"].startswith(heat.action)
        assert first.attributes["amounts"] == [{"name": "ice", "value": 2.0, "unit": "kg"}]
        assert first.attributes["cautions"] == list(heat.cautions)
        assert first.attributes["due"] == "2026-03-10T13:00:00Z"
        assert [one["code"] for one in first.attributes["others"]] == ["b"]
        wait_until(lambda: len(event.events) == 2)
        opened = {one["code"]: one for one in event.events}
        assert opened["heat"]["event_type"] == "opened"
        assert opened["heat"]["cautions"] == list(heat.cautions)

        # A number in the title that only moves on is nothing new: neither state nor event.
        moved = replace(heat, title="Cool the tank: 31.3 °C")
        integration.update(view, ledger.update(view, [moved, both[1]]))
        later = at(NOON + timedelta(hours=2))
        integration.update(later, ledger.update(later, [both[1]]))
        wait_until(lambda: reader.state("first") not in (None, heat.title))
        assert "Cool the tank: 31.3 °C" not in first.states
        wait_until(lambda: event.events[-1]["event_type"] == "cleared")
        assert [one["event_type"] for one in event.events] == ["opened", "opened", "cleared"]
        assert [one["severity_before"] for one in event.events] == [None, None, "urgent"]

        # One that becomes urgent is told from one that was, of which an amount changes.
        urgent = replace(both[1], severity=Severity.URGENT)
        more = replace(urgent, amounts=(Amount("water", 30.0, "L"),))
        for one in (urgent, more):
            integration.update(later, ledger.update(later, [one]))
        wait_until(lambda: len(event.events) == 5)
        changes = event.events[3:]
        assert [one["event_type"] for one in changes] == ["changed", "changed"]
        assert [one["severity_before"] for one in changes] == ["advice", "urgent"]
        assert changes[0]["tank"] == "reed"


def test_one_that_was_urgent_before_a_restart_is_told_from_one_that_becomes_so(
    home: Home, start_mosquitto: Start, tmp_path: Path
) -> None:
    broker = start_mosquitto(tmp_path)
    view = at(NOON)
    urgent, advice = finding("heat", Severity.URGENT), finding("b", Severity.ADVICE)
    with hub(broker.url) as integration, Hubbish(broker.port) as reader:
        integration.update(view, Ledger(home.registry).update(view, []))
        wait_until(reader.follows)
        integration.update(view, Ledger(home.registry).update(view, [urgent, advice]))
        event = reader.entity("event")
        wait_until(lambda: len(event.events) == 2)
        integration.stop()
        more = replace(urgent, amounts=(Amount("water", 30.0, "L"),))
        with hub(broker.url) as restarted:
            change = Ledger(home.registry).update(
                view, [more, replace(advice, severity=Severity.URGENT)]
            )
            restarted.update(view, change)
            wait_until(lambda: len(event.events) == 4)
    changes = {one["code"]: one for one in event.events[2:]}
    assert {one["event_type"] for one in changes.values()} == {"changed"}
    assert {code: one["severity_before"] for code, one in changes.items()} == {
        "heat": "urgent",
        "b": "advice",
    }


@pytest.mark.parametrize("before", [BY_ENTITY, BY_DEVICE], ids=["entity", "device"])
def test_the_other_form_is_cleaned_before_this_one_is_published(
    home: Home, start_mosquitto: Start, tmp_path: Path, before: HubOptions
) -> None:
    """A hub refuses an id that it has from another message, so the order counts."""
    after = BY_DEVICE if before is BY_ENTITY else BY_ENTITY
    broker = start_mosquitto(tmp_path)
    home.registry.put_tank(a_tank(id="fern"))
    with Hubbish(broker.port) as reader:
        with hub(broker.url, before) as integration:
            home.scheduler(integration).evaluate_all()
            wait_until(lambda: reader.follows() and reader.follows("littoral-fern"))
        known = set(reader.entities)
        earlier = set(reader.announced)
        home.registry.delete_tank("fern")  # while the service is down, and the form changes
        with hub(broker.url, after) as integration:
            home.scheduler(integration).evaluate_all()
            wait_until(lambda: earlier.isdisjoint(reader.announced) and reader.follows())
            wait_until(lambda: "littoral-fern" not in reader.devices)
            assert set(reader.entities) == {one for one in known if "fern" not in one}
            assert reader.refused == []
            left = {one for one in retained_at(broker.port) if one.startswith("homeassistant/")}
            assert left == set(reader.announced)


def test_a_hub_that_starts_gets_all_of_it_again(
    home: Home, start_mosquitto: Start, tmp_path: Path
) -> None:
    broker = start_mosquitto(tmp_path)
    with hub(broker.url) as integration, Hubbish(broker.port) as early:
        scheduler = home.scheduler(integration)
        scheduler.evaluate_all()
        wait_until(early.follows)
        scheduler.evaluate_all()
        wait_until(lambda: early.state("urgent") == "OFF")  # the last of an evaluation has passed
        with Hubbish(broker.port) as reader:  # the discovery message is retained, states are not
            wait_until(reader.follows)
            assert reader.state("temperature") is None
            before = reader.configs
            reader.client.publish("homeassistant/status", "offline", 1)
            reader.client.publish("homeassistant/status", "online", 1)
            wait_until(lambda: reader.state("temperature") == "24")
            assert reader.configs == before + len(reader.entities)
            assert reader.retained_states == set()


def test_an_empty_message_removes_a_deleted_tank(
    home: Home, start_mosquitto: Start, tmp_path: Path
) -> None:
    broker = start_mosquitto(tmp_path)
    home.registry.put_tank(a_tank(id="fern"))
    with hub(broker.url) as integration:
        home.scheduler(integration).evaluate_all()
    foreign = {
        "cmps": {
            "x": {
                "p": "sensor",
                "unique_id": "littoral-two-pond-x",
                "state_topic": "littoral/$hub/littoral-two/pond/x",
                "availability": [{"topic": "littoral/$hub/littoral-two/$status/littoral-ingest"}],
            }
        },
        "dev": {"ids": ["littoral-two-pond"]},
    }
    two = "homeassistant/device/littoral-two-pond/config"
    publish.single(two, json.dumps(foreign), 1, True, "127.0.0.1", broker.port)
    home.registry.delete_tank("fern")
    with Hubbish(broker.port) as reader:
        wait_until(lambda: {"littoral-fern", "littoral-reed"} <= set(reader.devices))
        with hub(broker.url) as integration:
            scheduler = home.scheduler(integration)
            scheduler.evaluate_all()
            # one that was deleted while the service was down
            wait_until(lambda: "littoral-fern" not in reader.devices)
            assert "littoral-reed" in reader.devices
            home.registry.delete_tank("reed")
            scheduler.evaluate_all()
            wait_until(lambda: "littoral-reed" not in reader.devices)
        assert set(retained_at(broker.port)) == {two, STATUS}


def test_a_service_that_ends_is_offline(home: Home, start_mosquitto: Start, tmp_path: Path) -> None:
    broker = start_mosquitto(tmp_path)
    with Hubbish(broker.port) as reader:
        with hub(broker.url) as integration:
            home.scheduler(integration).evaluate_all()
            wait_until(reader.follows)
        wait_until(lambda: reader.entity("open").available.get(STATUS) == "offline")


def test_a_service_that_is_lost_is_offline_by_its_will(
    home: Home, start_mosquitto: Start, tmp_path: Path
) -> None:
    broker = start_mosquitto(tmp_path)
    with (
        Hubbish(broker.port) as reader,
        Relay(broker.port) as relay,
        hub(f"mqtt://127.0.0.1:{relay.port}") as integration,
    ):
        home.scheduler(integration).evaluate_all()
        wait_until(reader.follows)
        seen: list[bytes] = []
        reader.client.message_callback_add(STATUS, lambda *args: seen.append(args[2].payload))
        relay.break_connections()  # the integration comes back by itself
        wait_until(lambda: b"offline" in seen and seen[-1] == b"online", 20, lambda: str(seen))


def test_what_is_sent_is_never_read_as_a_reading(
    home: Home, start_mosquitto: Start, tmp_path: Path
) -> None:
    broker = start_mosquitto(tmp_path)
    router = Router("littoral", [RouteConfig("#", tank="reed", quantity="ph")])
    topics: set[str] = set()
    client = mqtt.Client(CallbackAPIVersion.VERSION2)
    client.on_message = lambda _, __, message: topics.add(message.topic)
    subscribed = threading.Event()
    client.on_connect = lambda client, *_: client.subscribe("littoral/#", 1)
    client.on_subscribe = lambda *_: subscribed.set()
    client.connect("127.0.0.1", broker.port)
    client.loop_start()
    assert subscribed.wait(60)
    with hub(broker.url) as integration:
        home.scheduler(integration).evaluate_all()
        wait_until(lambda: "littoral/$hub/littoral/reed/urgent" in topics)  # the last state
    client.disconnect()
    client.loop_stop()
    assert len(topics) > 10
    for topic in topics:
        assert router.targets(topic) == (), topic
