"""A tank as a device for general-purpose home-automation hubs: discovery message and states.

The message is in device form: one JSON document for a device with all its sensors. Every sensor
has a state topic and, where it depends on something measured, an availability topic of its own.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any, Final

from service.advice.engine.recommendation import Severity
from service.config import HubOptions
from service.integrations.tank_figures import LIGHT, WORST_WORDS, Figures
from service.mqtt.connection import OFFLINE, ONLINE
from service.mqtt.retained import json_payload

ORIGIN: Final = "Littoral"
_DEVICE_CLASS: Final[Mapping[str, str]] = {
    "temperature": "temperature",
    "ph": "ph",
    "photoperiod": "duration",
}
"""The hub's class of pH takes no unit; dissolved CO2 has none: that of CO2 is for air."""
_DIGITS: Final[Mapping[str, int]] = {"temperature": 1, "ph": 2, "dli": 1, "photoperiod": 1}


@dataclass(frozen=True, slots=True)
class Sensor:
    """One sensor of a tank, as the hub sees it.

    Attributes:
        source: what has to be measured for a present value: temperature, ph, light; "" for nothing.
        text: the state, or None where there is no present value.
        binary: on or off rather than a value.
        digits: decimal places to show, where it is a number.
    """

    key: str
    name: str
    source: str
    text: str | None
    binary: bool = False
    device_class: str | None = None
    unit: str | None = None
    digits: int | None = None
    options: tuple[str, ...] = ()

    @property
    def platform(self) -> str:
        """The hub's word for the kind of sensor."""
        return "binary_sensor" if self.binary else "sensor"


@dataclass(frozen=True, slots=True)
class HubTopics:
    """Topics and ids of one hub integration.

    Attributes:
        base: first levels of our own topics, which no route takes for readings.
        options: of the integration.
    """

    base: str
    options: HubOptions

    @property
    def status(self) -> str:
        """Whether the service is online."""
        return f"{self.base}/status"

    def device(self, tank: str) -> str:
        """The id of a tank's device."""
        return f"{self.options.device}-{tank}"

    def config(self, tank: str) -> str:
        """The discovery topic of a device."""
        return f"{self.options.prefix}/device/{self.device(tank)}/config"

    def state(self, tank: str, key: str) -> str:
        """Where the state of a sensor is."""
        return f"{self.base}/{tank}/{key}"

    def availability(self, tank: str, key: str) -> str:
        """Whether a sensor has a present value."""
        return f"{self.base}/{tank}/{key}/availability"


def sensors_of(figures: Figures) -> list[Sensor]:
    """The sensors of a tank for what was ever measured of it."""
    found = [
        Sensor(
            one.key, one.name, one.source, _number(one.value), unit=one.unit,
            device_class=_DEVICE_CLASS.get(one.key), digits=_DIGITS.get(one.key, 0),
        )
        for one in figures.numbers
    ]  # fmt: skip
    if LIGHT in figures.measured:
        found.append(
            Sensor("lit", "Light", LIGHT, _switch(figures.lit), binary=True, device_class="light")
        )
    return [
        *found,
        Sensor("open", "Open recommendations", "", str(figures.open), digits=0),
        Sensor("worst", "Highest severity", "", figures.worst_word,
               device_class="enum", options=WORST_WORDS),
        *(
            Sensor(severity.word, f"Open: {severity.word}", "",
                   _switch(figures.open_by_severity.get(severity, 0) > 0),
                   binary=True, device_class="problem")
            for severity in Severity
        ),
    ]  # fmt: skip


def discovery_message(
    hub: HubTopics, tank: str, name: str, sensors: Iterable[Sensor], expire_after_s: int
) -> str:
    """The discovery message of a tank."""
    document = {
        "dev": {"ids": [hub.device(tank)], "name": name},
        "o": {"name": ORIGIN},
        "cmps": {one.key: _component(hub, tank, one, expire_after_s) for one in sensors},
        "qos": 1,
    }
    return json_payload(document)


def retained_messages(
    hub: HubTopics, tank: str, discovery: str, sensors: Iterable[Sensor]
) -> dict[str, str]:
    """The retained messages of a tank: discovery and availabilities."""
    found = {hub.config(tank): discovery}
    for one in sensors:
        if one.source:
            found[hub.availability(tank, one.key)] = OFFLINE if one.text is None else ONLINE
    return found


def state_messages(hub: HubTopics, tank: str, sensors: Iterable[Sensor]) -> list[tuple[str, str]]:
    """The present states, for messages that are not retained."""
    return [(hub.state(tank, one.key), one.text) for one in sensors if one.text is not None]


def leftover_topics(
    hub: HubTopics, config_topic: str, payload: bytes
) -> tuple[str, list[str]] | None:
    """Tank and retained topics of a discovery message; None for a foreign one."""
    start = f"{hub.options.prefix}/device/{hub.options.device}-"
    tank = config_topic.removeprefix(start).removesuffix("/config")
    if config_topic != hub.config(tank):
        return None
    try:
        components = json.loads(payload)["cmps"].values()
        topics = [one["topic"] for each in components for one in each["availability"]]
    except (ValueError, KeyError, TypeError, AttributeError):
        return None
    if hub.status not in topics:
        return None
    mine = [topic for topic in topics if topic.startswith(f"{hub.base}/{tank}/")]
    return tank, [config_topic, *mine]


def _component(hub: HubTopics, tank: str, one: Sensor, expire_after_s: int) -> dict[str, Any]:
    availability = [{"topic": hub.status}]
    if one.source:
        availability.append({"topic": hub.availability(tank, one.key)})
    members: dict[str, Any] = {
        "p": one.platform,
        "unique_id": f"{hub.device(tank)}-{one.key}",
        "name": one.name,
        "state_topic": hub.state(tank, one.key),
        "availability": availability,
        "availability_mode": "all",
        "expire_after": expire_after_s,
    }
    if one.device_class is not None:
        members["device_class"] = one.device_class
    if one.unit is not None:
        members["unit_of_measurement"] = one.unit
    if one.options:
        members["options"] = list(one.options)
    if one.digits is not None:
        members |= {"state_class": "measurement", "suggested_display_precision": one.digits}
    return members


def _number(value: float | None) -> str | None:
    return None if value is None else f"{value:.6g}"


def _switch(value: bool | None) -> str | None:
    return None if value is None else ("ON" if value else "OFF")
