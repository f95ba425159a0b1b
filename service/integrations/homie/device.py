"""A tank as a device of the Homie convention, version 5: its description and its messages.

The convention: https://homieiot.github.io (v5.0.0 of 2025-05-11).
"""

from __future__ import annotations

import json
import re
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

from service.advice.engine.instruction import line_of
from service.advice.engine.recommendation import Recommendation, Severity
from service.advice.phrases import capitalised
from service.config import HOMIE_TOPIC_VERSION, HomieOptions
from service.derive.models.co2 import Co2State
from service.integrations.tank_figures import ILLUMINANCE, LIGHT, PH, WORST_WORDS, Figures
from service.registry.models.recommendations import State

VERSION: Final = "5.0"

_NOT_IN_IDS: Final = re.compile(r"[^a-z0-9]+")


@dataclass(frozen=True, slots=True)
class Property:
    """One property of a tank.

    Attributes:
        text: the payload, or None where there is no present value.
    """

    node: str
    id: str
    name: str
    datatype: str
    text: str | None
    unit: str | None = None
    format: str | None = None

    def description(self) -> dict[str, Any]:
        """As in the device's description."""
        members: dict[str, Any] = {"name": self.name, "datatype": self.datatype}
        if self.unit is not None:
            members["unit"] = self.unit
        if self.format is not None:
            members["format"] = self.format
        return members


def device_id(options: HomieOptions, tank: str) -> str:
    """The id of a tank's device."""
    return f"{options.device}-{tank}"


def base_topic(options: HomieOptions, device: str) -> str:
    """The topic that all of a device's begin with."""
    return f"{options.prefix}/{HOMIE_TOPIC_VERSION}/{device}"


def properties_of(figures: Figures) -> list[Property]:
    """The properties of a tank for what was ever measured of it."""
    found = [
        Property(
            "light" if one.source in (LIGHT, ILLUMINANCE) else "water",
            one.key.replace("_", "-"), one.name, "float", _number(one.value), one.unit,
        )
        for one in figures.numbers
    ]  # fmt: skip
    if PH in figures.measured:
        states = ",".join(Co2State)
        found.append(
            Property("water", "co2-state", "CO2 against its target", "enum", figures.co2_state,
                     format=states)
        )  # fmt: skip
    if LIGHT in figures.measured:
        found.append(
            Property("light", "lit", "Lit", "boolean", _truth(figures.lit), format="dark,lit")
        )
    return [
        *found,
        Property("advice", "open", "Open recommendations", "integer", str(figures.open), "#"),
        Property("advice", "worst", "Highest severity", "enum", figures.worst_word,
                 format=",".join(WORST_WORDS)),
    ]  # fmt: skip


def description_of(
    options: HomieOptions, name: str, properties: Iterable[Property]
) -> dict[str, Any]:
    """The description of a tank's device, without its version."""
    names = {"water": "Water", "light": "Light", "advice": "What to do"}
    nodes: dict[str, dict[str, Any]] = {}
    for one in properties:
        node = nodes.setdefault(one.node, {"name": names[one.node], "properties": {}})
        node["properties"][one.id] = one.description()
    return {
        "homie": VERSION,
        "name": name,
        "root": options.device,
        "parent": options.device,
        "nodes": nodes,
    }


def root_description(options: HomieOptions, children: Sequence[str]) -> dict[str, Any]:
    """The description of the service's device, without its version."""
    return {"homie": VERSION, "name": "Littoral", "children": list(children), "nodes": {}}


def device_messages(
    base: str,
    description: str,
    properties: Iterable[Property],
    alerts: Mapping[str, str],
    state: str,
) -> dict[str, str]:
    """All retained messages of a device, ``$state`` last; empty where there is no value.

    Args:
        base: topic of the device.
        description: JSON with the version.
        alerts: text by alert id.
    """
    messages = {f"{base}/$description": description}
    for one in properties:
        messages[f"{base}/{one.node}/{one.id}"] = one.text or ""
    for id, text in sorted(alerts.items()):
        messages[f"{base}/$alert/{id}"] = text
    messages[f"{base}/$state"] = state
    return messages


def alerts_of(
    options: HomieOptions,
    figures: Figures,
    current: Sequence[Recommendation],
    *,
    changed: Collection[str],
    published: Mapping[str, str],
) -> dict[str, str]:
    """What a person should know now: severe open recommendations, and sensors without a value.

    Args:
        changed: ids of recommendations on which a person would now act differently; the others
            keep the text that was published.
        published: text by alert id.
    """
    found = {_id(f"no-{name}"): f"{capitalised(why)}." for name, why in figures.missing.items()}
    lowest = Severity[options.alerts.upper()]
    for one in current:
        finding = one.finding
        if one.state is State.OPEN and finding.severity >= lowest:
            alert, text = _id(f"{finding.code}-{finding.subject}"), line_of(one.instruction)
            found[alert] = text if one.id in changed else published.get(alert, text)
    return found


def described_topics(base: str, description: bytes) -> list[str]:
    """The topics of a device by its own description, for taking it down.

    Raises:
        ValueError, AttributeError: that is no description.
    """
    nodes: Mapping[str, Any] = json.loads(description).get("nodes", {})
    values = [
        f"{base}/{node}/{id}"
        for node, members in nodes.items()
        for id in members.get("properties", {})
    ]
    return [f"{base}/$description", *values, f"{base}/$state"]


def _number(value: float | None) -> str | None:
    """A float as the convention allows it: six significant digits, never a plus sign or NaN."""
    return None if value is None else f"{value:.6g}".replace("+", "")


def _truth(value: bool | None) -> str | None:
    return None if value is None else str(value).lower()


def _id(text: str) -> str:
    return _NOT_IN_IDS.sub("-", text.lower()).strip("-")
