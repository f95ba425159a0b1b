"""A reader of the Homie convention, version 5, that knows nothing of Littoral.

Written from the convention's text (https://homieiot.github.io, v5.0.0 of 2025-05-11): a device is
found by its ``$state``, its properties by ``$description``, and every payload is checked against
its datatype and format. Details beside the published excerpt come from memory: ``root`` is required
for any device that is not a root, ``parent`` defaults to it, ``children`` to none.
"""

from __future__ import annotations

import json
import re
import threading
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

ID = re.compile(r"[a-z0-9-]+")
INTEGER = re.compile(r"-?[0-9]+")
FLOAT = re.compile(r"-?[0-9]*\.?[0-9]+([eE]-?[0-9]+)?")
STATES = {"init", "ready", "disconnected", "sleeping", "lost"}
DATATYPES = {
    "integer", "float", "boolean", "string", "enum", "color", "datetime", "duration", "json",
}  # fmt: skip


def number(text: str) -> float:
    assert FLOAT.fullmatch(text), f"{text!r} is no float"
    return float(text)


def checked(payload: str, property: dict[str, Any]) -> Any:
    """A payload as a value, by the datatype and format of its property."""
    kind = property["datatype"]
    if kind == "float":
        return number(payload)
    if kind == "integer":
        assert INTEGER.fullmatch(payload), f"{payload!r} is no integer"
        return int(payload)
    if kind == "boolean":
        assert payload in ("true", "false"), f"{payload!r} is no boolean"
        return payload == "true"
    if kind == "enum":
        allowed = property["format"].split(",")
        assert len(allowed) == len(set(allowed))
        assert payload in allowed, f"{payload!r} is none of {allowed}"
        return payload
    return payload


def check_description(text: str) -> dict[str, Any]:
    """A description, after checking all that the convention demands of it."""
    description: dict[str, Any] = json.loads(text)
    assert re.fullmatch(r"5\.[0-9]+", description["homie"])
    version = description["version"]
    assert isinstance(version, int) and not isinstance(version, bool)
    assert isinstance(description.get("children", []), list)
    for node_id, node in description.get("nodes", {}).items():
        assert ID.fullmatch(node_id)
        for property_id, property in node.get("properties", {}).items():
            assert ID.fullmatch(property_id)
            assert property["datatype"] in DATATYPES
            assert isinstance(property.get("settable", False), bool)
            assert isinstance(property.get("retained", True), bool)
            if property["datatype"] == "enum":
                assert property["format"]
    return description


@dataclass
class Device:
    """What a controller knows of one device."""

    states: list[str] = field(default_factory=list)
    description: dict[str, Any] | None = None
    versions: list[int] = field(default_factory=list)
    values: dict[str, str] = field(default_factory=dict)
    alerts: dict[str, str] = field(default_factory=dict)

    @property
    def state(self) -> str | None:
        return self.states[-1] if self.states else None

    def property(self, path: str) -> dict[str, Any]:
        node, _, name = path.partition("/")
        assert self.description is not None
        found: dict[str, Any] = self.description["nodes"][node]["properties"][name]
        return found

    def value(self, path: str) -> Any:
        """The present value of ``node/property``; None where there is none."""
        property = self.property(path)
        payload = self.values.get(path)
        return None if payload is None else checked(payload, property)


class Reader:
    """A controller: follows all devices below ``<prefix>/5``."""

    def __init__(self, port: int, prefix: str = "homie") -> None:
        self._port = port
        self._start = f"{prefix}/5/"
        self.devices: dict[str, Device] = {}
        self.faults: list[str] = []
        self.retained: dict[str, str] = {}
        self.heard: list[tuple[str, str]] = []
        self._lock = threading.Lock()

    def __enter__(self) -> Reader:
        self._client = mqtt.Client(CallbackAPIVersion.VERSION2)
        self._client.on_connect = lambda client, *_: client.subscribe(f"{self._start}#", 2)
        self._client.on_message = self._take
        self._client.connect("127.0.0.1", self._port)
        self._client.loop_start()
        return self

    def __exit__(self, *_: object) -> None:
        self._client.disconnect()
        self._client.loop_stop()

    def state(self, id: str) -> str | None:
        """The state of a device: lost with its root."""
        device = self.devices.get(id)
        if device is None or device.state is None:
            return None
        root = (device.description or {}).get("root")
        above = self.devices.get(root) if root else None
        return "lost" if above is not None and above.state == "lost" else device.state

    def holds(self, true: Callable[[Reader], bool]) -> bool:
        with self._lock:
            return true(self)

    def is_complete(self, *devices: str, root: str = "littoral") -> bool:
        """Whether the root has exactly these children and all of them are ready."""
        with self._lock:
            above = self.devices.get(root)
            return (
                above is not None
                and above.description is not None
                and above.description["children"] == sorted(devices)
                and all(self.state(one) == "ready" for one in (root, *devices))
            )

    def check(self) -> None:
        """All that holds of a finished device, and nothing that a message broke before."""
        with self._lock:
            assert self.faults == [], self.faults
            for id, device in self.devices.items():
                if device.state is None:
                    continue
                assert device.description is not None, f"{id} has no description"
                for path in device.values:
                    device.value(path)
                for child in device.description.get("children", []):
                    assert child in self.devices, f"{id} names {child}, which is not there"
                root = device.description.get("root")
                if root is not None:
                    parent = device.description.get("parent", root)
                    above = self.devices[parent].description
                    assert above is not None and id in above["children"]

    def _take(self, _: object, __: object, message: mqtt.MQTTMessage) -> None:
        with self._lock:
            self.heard.append((message.topic, message.payload.decode("utf-8", "replace")))
            try:
                self._read(message.topic, message.payload.decode("utf-8"))
            except Exception as error:  # noqa: BLE001 - reported by check()
                self.faults.append(f"{message.topic}: {type(error).__name__} {error}")

    def _read(self, topic: str, payload: str) -> None:
        id, _, rest = topic.removeprefix(self._start).partition("/")
        assert ID.fullmatch(id)
        if payload:
            self.retained[topic] = payload
        else:
            self.retained.pop(topic, None)
        device = self.devices.setdefault(id, Device())
        if rest == "$state":
            if not payload:
                del self.devices[id]
                return
            assert payload in STATES
            device.states.append(payload)
        elif rest == "$description":
            if not payload:
                return
            description = check_description(payload)
            if device.description is not None and description != device.description:
                assert device.state != "ready", "changed while ready"
                assert description["version"] > device.description["version"]
            device.description = description
            device.versions.append(description["version"])
        elif rest.startswith("$alert/"):
            name = rest.removeprefix("$alert/")
            assert ID.fullmatch(name)
            if payload:
                device.alerts[name] = payload
            else:
                device.alerts.pop(name, None)
        else:
            node, _, name = rest.partition("/")
            assert ID.fullmatch(node) and ID.fullmatch(name)
            if not payload:
                device.values.pop(rest, None)
                return
            device.values[rest] = payload
            if device.description is not None:
                checked(payload, device.property(rest))
