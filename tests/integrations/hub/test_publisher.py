"""The messages for home-automation hubs over a real broker."""

from __future__ import annotations

import json
import re
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import timedelta
from pathlib import Path
from typing import Any

import paho.mqtt.client as mqtt
import paho.mqtt.publish as publish
from paho.mqtt.enums import CallbackAPIVersion

from ingest.decode.routes import Router
from service.advice.engine.ledger import Ledger
from service.advice.engine.recommendation import Severity
from service.config import HubOptions, MqttConfig, RouteConfig
from service.integrations.hub.publisher import Hub
from tests.advice.engine.test_ledger import at, finding
from tests.derive.pieces import NOON, a_tank
from tests.integrations.conftest import Home
from tests.integrations.relay import Relay
from tests.integrations.retained import retained_at
from tests.servers import Mosquitto, wait_until

CONFIG = "homeassistant/device/littoral-reed/config"
STATUS = "littoral/$hub/littoral/status"
Start = Callable[..., Mosquitto]


@dataclass
class Entity:
    """One sensor as a hub makes it from its component."""

    component: dict[str, Any]
    states: list[str] = field(default_factory=list)
    available: dict[str, str] = field(default_factory=dict)

    @property
    def state(self) -> str | None:
        """The present state; None where unavailable or never sent."""
        wanted = [one["topic"] for one in self.component["availability"]]
        if any(self.available.get(topic) != "online" for topic in wanted):
            return None
        return self.states[-1] if self.states else None


class Hubbish:
    """A minimal hub: finds devices under a discovery prefix and follows their topics."""

    def __init__(self, port: int, prefix: str = "homeassistant") -> None:
        self._port = port
        self._prefix = prefix
        self._lock = threading.Lock()
        self.devices: dict[str, dict[str, Any]] = {}
        self.entities: dict[str, Entity] = {}
        self.configs = 0
        self._asked: set[int] = set()
        self.retained_states: set[str] = set()

    def __enter__(self) -> Hubbish:
        self.client = mqtt.Client(CallbackAPIVersion.VERSION2)
        self.client.on_connect = lambda client, *_: client.subscribe(
            f"{self._prefix}/device/+/config", 1
        )
        self.client.on_message = self._take
        self.client.on_subscribe = lambda _, __, mid, *___: self._asked.discard(mid)
        self.client.connect("127.0.0.1", self._port)
        self.client.loop_start()
        return self

    def __exit__(self, *_: object) -> None:
        self.client.disconnect()
        self.client.loop_stop()

    def follows(self, device: str = "littoral-reed") -> bool:
        """Whether a device is known and all of its topics are subscribed to."""
        with self._lock:
            if device not in self.devices or self._asked:
                return False
            return all(
                len(one.available) == len(one.component["availability"])
                for key, one in self.entities.items()
                if key.startswith(f"{device}-")
            )

    def entity(self, key: str, device: str = "littoral-reed") -> Entity:
        return self.entities[f"{device}-{key}"]

    def state(self, key: str, device: str = "littoral-reed") -> str | None:
        with self._lock:
            found = self.entities.get(f"{device}-{key}")
            return None if found is None else found.state

    def _take(self, client: mqtt.Client, _: object, message: mqtt.MQTTMessage) -> None:
        with self._lock:
            text = message.payload.decode()
            if message.topic.endswith("/config"):
                self._discover(client, message.topic.split("/")[-2], text)
                return
            for entity in self.entities.values():
                if message.topic == entity.component["state_topic"]:
                    entity.states.append(text)
                    if message.retain:
                        self.retained_states.add(message.topic)
                elif {"topic": message.topic} in entity.component["availability"]:
                    entity.available[message.topic] = text

    def _discover(self, client: mqtt.Client, id: str, text: str) -> None:
        if not text:
            self.devices.pop(id, None)
            for key in [one for one in self.entities if one.startswith(f"{id}-")]:
                del self.entities[key]
            return
        self.configs += 1
        document = json.loads(text)
        self.devices[id] = document
        for component in document["cmps"].values():
            self.entities.setdefault(component["unique_id"], Entity(component))
            topics = {component["state_topic"]}
            topics |= {one["topic"] for one in component["availability"]}
            for topic in topics:
                _, mid = client.subscribe(topic, 1)
                assert mid is not None
                self._asked.add(mid)


@contextmanager
def hub(url: str) -> Iterator[Hub]:
    made = Hub("rooms", HubOptions(), MqttConfig(url=url), 60.0)
    made.start()
    wait_until(lambda: made.is_connected)
    try:
        yield made
    finally:
        made.stop()


def test_a_tank_is_a_device_with_its_sensors(
    home: Home, start_mosquitto: Start, tmp_path: Path
) -> None:
    broker = start_mosquitto(tmp_path)
    with hub(broker.url) as integration, Hubbish(broker.port) as reader:
        scheduler = home.scheduler(integration)
        scheduler.evaluate_all()
        wait_until(lambda: "littoral-reed" in reader.devices)
        document = reader.devices["littoral-reed"]
        assert document["dev"] == {"ids": ["littoral-reed"], "name": "Reed bed"}
        assert document["o"]["name"] == "Littoral"
        components = document["cmps"]
        assert len({one["unique_id"] for one in components.values()}) == len(components)
        for one in components.values():
            assert one["p"] in ("sensor", "binary_sensor")
            # they exclude each other
            assert "availability" in one and "availability_topic" not in one
            assert one["expire_after"] == 60
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
        assert components["worst"]["options"] == ["none", "info", "advice", "warning", "urgent"]
        for severity in ("info", "advice", "warning", "urgent"):
            assert components[severity]["p"] == "binary_sensor"

        wait_until(reader.follows)
        scheduler.evaluate_all()  # states come with each evaluation
        wait_until(lambda: reader.state("temperature") == "24")
        wait_until(lambda: reader.state("urgent") == "OFF")  # the last of an evaluation
        wait_until(lambda: reader.state("lit") == "ON")
        wait_until(lambda: reader.state("ppfd") == "174")
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
            assert reader.configs == before + 1
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
                "availability": [{"topic": "littoral/$hub/littoral-two/status"}],
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
