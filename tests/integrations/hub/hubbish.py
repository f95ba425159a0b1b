"""A minimal home-automation hub, and a publisher connected to a broker, for tests."""

from __future__ import annotations

import json
import threading
from collections.abc import Callable
from contextlib import AbstractContextManager
from dataclasses import dataclass, field
from typing import Any

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

from service.config import HubOptions, MqttConfig
from service.integrations.hub.presses import Marking
from service.integrations.hub.publisher import Hub
from tests.integrations.connected import connected
from tests.servers import Mosquitto

BY_DEVICE = HubOptions(discovery="device")
BY_ENTITY = HubOptions()
TOPICS = ("state_topic", "json_attributes_topic")
Start = Callable[..., Mosquitto]


@dataclass
class Entity:
    """One sensor as a hub makes it from its component."""

    component: dict[str, Any]
    states: list[str] = field(default_factory=list)
    available: dict[str, str] = field(default_factory=dict)
    attributes: dict[str, Any] = field(default_factory=dict)

    @property
    def is_available(self) -> bool:
        """Whether all of its availability topics say so."""
        wanted = [one["topic"] for one in self.component["availability"]]
        return all(self.available.get(topic) == "online" for topic in wanted)

    @property
    def events(self) -> list[dict[str, Any]]:
        """What an event entity was sent."""
        return [json.loads(one) for one in self.states]

    @property
    def state(self) -> str | None:
        """The present state; None where unavailable or never sent."""
        return self.states[-1] if self.states and self.is_available else None


class Hubbish:
    """A minimal hub: finds devices under a discovery prefix and follows their topics.

    It refuses an id that it knows from another discovery topic, as the real ones do.
    """

    def __init__(self, port: int, prefix: str = "homeassistant") -> None:
        self._port = port
        self._prefix = prefix
        self._lock = threading.Lock()
        self.devices: dict[str, dict[str, Any]] = {}
        self.entities: dict[str, Entity] = {}
        self.announced: dict[str, set[str]] = {}
        self.refused: list[str] = []
        self.configs = 0
        self._asked: set[int] = set()
        self.retained_states: set[str] = set()

    def __enter__(self) -> Hubbish:
        self.client = mqtt.Client(CallbackAPIVersion.VERSION2)
        self.client.on_connect = lambda client, *_: client.subscribe(f"{self._prefix}/#", 1)
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
            if f"{device}-event" not in self.entities or self._asked:  # the last one
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
                self._discover(client, message.topic, text)
                return
            for entity in self.entities.values():
                if message.topic == entity.component.get("state_topic"):
                    entity.states.append(text)
                    if message.retain:
                        self.retained_states.add(message.topic)
                elif message.topic == entity.component.get("json_attributes_topic"):
                    entity.attributes = json.loads(text)
                elif {"topic": message.topic} in entity.component["availability"]:
                    entity.available[message.topic] = text

    def _discover(self, client: mqtt.Client, topic: str, text: str) -> None:
        for key in self.announced.pop(topic, set()) if not text else ():
            del self.entities[key]
        document = json.loads(text) if text else {}
        device = topic.split("/")[2]
        if not text:
            if not any(key.startswith(f"{device}-") for key in self.entities):
                self.devices.pop(device, None)
            return
        self.configs += 1
        _, platform, *_ = topic.split("/")
        found = document.pop("cmps", None) or {"": {"p": platform, **document}}
        self.devices[device] = document
        for component in found.values():
            key = component["unique_id"]
            if key in self.entities and key not in self.announced.get(topic, set()):
                self.refused.append(f"{key} of {topic}")
                continue
            self.announced.setdefault(topic, set()).add(key)
            known = self.entities.setdefault(key, Entity(component))
            known.component = component
            topics = {component[name] for name in TOPICS if name in component}
            topics |= {one["topic"] for one in component["availability"]}
            for one in topics:
                _, mid = client.subscribe(one, 1)
                assert mid is not None
                self._asked.add(mid)

    def press(self, key: str, payload: str | None = None, device: str = "littoral-reed") -> None:
        """Press a button; with another payload than it has, as somebody else might."""
        component = self.entity(key, device).component
        text = component["payload_press"] if payload is None else payload
        self.client.publish(component["command_topic"], text, 1)


def hub(
    url: str,
    options: HubOptions = BY_ENTITY,
    marking: Marking | None = None,
    public_url: str | None = None,
) -> AbstractContextManager[Hub]:
    return connected(Hub("rooms", options, MqttConfig(url=url), 60.0, marking, public_url))
