"""Discovery messages of home-automation hubs: a tank as one message, or one for each entity.

In device form one JSON document has a device with all its entities, which hubs take since 2024.11.
In entity form each entity has a message of its own, which older ones take as well.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

from service.config import DISCOVERY_BY_DEVICE, HUB_PLATFORMS
from service.integrations.hub.entities import Entity
from service.integrations.hub.topics import HubTopics
from service.mqtt.connection import OFFLINE, ONLINE
from service.mqtt.retained import json_payload
from service.version import package_version

ORIGIN: Final = "Littoral"
QOS: Final = 1


@dataclass(frozen=True, slots=True)
class Device:
    """A tank as a device.

    Attributes:
        expire_after_s: a state counts for so long.
        page: address of the tank's page; None: not known.
    """

    tank: str
    name: str
    expire_after_s: int
    page: str | None = None


def discovery_messages(
    hub: HubTopics, device: Device, entities: Sequence[Entity]
) -> dict[str, str]:
    """The discovery messages of a tank, payload by topic."""
    components = {one.key: _component(hub, device, one) for one in entities}
    described, origin = _device(hub, device), {"name": ORIGIN, "sw": package_version()}
    if hub.options.discovery == DISCOVERY_BY_DEVICE:
        platforms = {one.key: {"p": one.platform} for one in entities}
        document = {
            "dev": described,
            "o": origin,
            "cmps": {key: platforms[key] | members for key, members in components.items()},
            "qos": QOS,
        }
        return {hub.device_config(device.tank): json_payload(document)}
    return {
        hub.entity_config(device.tank, one.platform, one.key): json_payload(
            {**components[one.key], "dev": described, "o": origin, "qos": QOS}
        )
        for one in entities
    }


def other_form(hub: HubTopics, tank: str, entities: Iterable[Entity]) -> list[str]:
    """The discovery topics of a tank in the form that is not used, to be emptied."""
    if hub.options.discovery == DISCOVERY_BY_DEVICE:
        return [hub.entity_config(tank, one.platform, one.key) for one in entities]
    return [hub.device_config(tank)]


def availabilities(hub: HubTopics, tank: str, entities: Iterable[Entity]) -> dict[str, str]:
    """Whether each entity has a present value."""
    return {
        hub.availability(tank, one.key): ONLINE if one.available else OFFLINE
        for one in entities
        if one.depends
    }


def states(hub: HubTopics, tank: str, entities: Iterable[Entity]) -> list[tuple[str, str]]:
    """The present states with what belongs to them, for messages that are not retained."""
    found: list[tuple[str, str]] = []
    for one in entities:
        if one.attributes is not None:
            found.append((hub.attributes(tank, one.key), json_payload(one.attributes)))
        if one.text is not None:
            found.append((hub.state(tank, one.key), one.text))
    return found


def leftover_topics(
    hub: HubTopics, config_topic: str, payload: bytes
) -> tuple[str, list[str]] | None:
    """Tank and retained topics of a discovery message in any form; None for a foreign one."""
    tank = _tank_of(hub, config_topic)
    if tank is None:
        return None
    try:
        document = json.loads(payload)
        components: Iterable[Mapping[str, Any]] = document.get("cmps", {"": document}).values()
        topics = [one["topic"] for each in components for one in each["availability"]]
    except (ValueError, KeyError, TypeError, AttributeError):
        return None
    if not any(topic.startswith(hub.statuses) for topic in topics):
        return None
    mine = [topic for topic in topics if topic.startswith(f"{hub.base}/{tank}/")]
    return tank, [config_topic, *mine]


def _tank_of(hub: HubTopics, config_topic: str) -> str | None:
    prefix, start = f"{hub.options.prefix}/", f"{hub.options.device}-"
    parts = config_topic.removeprefix(prefix).split("/")
    if not config_topic.startswith(prefix) or parts[-1] != "config":
        return None
    in_device_form = len(parts) == 3 and parts[0] == "device"
    in_entity_form = len(parts) == 4 and parts[0] in HUB_PLATFORMS
    if not (in_device_form or in_entity_form) or not parts[1].startswith(start):
        return None
    return parts[1].removeprefix(start)


def _device(hub: HubTopics, device: Device) -> dict[str, Any]:
    members: dict[str, Any] = {
        "ids": [hub.device(device.tank)],
        "name": device.name,
        "mf": ORIGIN,
        "mdl": "Planted tank",
        "sw": package_version(),
    }
    return members if device.page is None else {**members, "cu": device.page}


def _component(hub: HubTopics, device: Device, one: Entity) -> dict[str, Any]:
    availability = [{"topic": hub.status}]
    if one.depends:
        availability.append({"topic": hub.availability(device.tank, one.key)})
    members: dict[str, Any] = {
        "unique_id": f"{hub.device(device.tank)}-{one.key}",
        "name": one.name,
        "availability": availability,
        "availability_mode": "all",
    }
    if one.platform == "button":
        return members | {
            "command_topic": hub.press(device.tank, one.key),
            "payload_press": one.payload,
        }
    members["state_topic"] = hub.state(device.tank, one.key)
    if one.platform == "event":
        return members | {"event_types": list(one.event_types)}
    members["expire_after"] = device.expire_after_s
    if one.attributes is not None:
        members["json_attributes_topic"] = hub.attributes(device.tank, one.key)
    if one.device_class is not None:
        members["device_class"] = one.device_class
    if one.unit is not None:
        members["unit_of_measurement"] = one.unit
    if one.options:
        members["options"] = list(one.options)
    if one.digits is not None:
        members |= {"state_class": "measurement", "suggested_display_precision": one.digits}
    return members
