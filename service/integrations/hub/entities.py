"""A tank's entities for general-purpose home-automation hubs, with their present states."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

from service.advice.engine.recommendation import Severity
from service.derive.models.co2 import Co2State
from service.integrations.tank_figures import LIGHT, PH, WORST_WORDS, Figures

EVENT: Final = "event"
FIRST: Final = "first"
DONE: Final = "done"
NOT_NOW: Final = "not_now"
"""Keys of entities that are more than a figure."""
REFUSED: Final = "refused"
EVENT_TYPES: Final = ("opened", "changed", "cleared", REFUSED)
NOTHING: Final = "Nothing to do now"
LONGEST_STATE: Final = 255
"""Characters: a hub takes no longer state."""

_DEVICE_CLASS: Final[Mapping[str, str]] = {
    "temperature": "temperature",
    "ph": "ph",
    "photoperiod": "duration",
    "illuminance": "illuminance",
}
"""The hub's class of pH takes no unit; dissolved CO2 has none: that of CO2 is for air. Conductivity
has one only in hubs of 2024.7 and later, and older ones refuse a class that they do not know."""
_DIGITS: Final[Mapping[str, int]] = {
    "temperature": 1, "ph": 2, "dli": 1, "photoperiod": 1, "oxygen": 1,
}  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class Entity:
    """One entity of a tank, as the hub sees it.

    Attributes:
        platform: the hub's word for the kind of entity.
        text: the state; None where there is no present value, and of what has no state.
        depends: it is unavailable at times, beside the service's end.
        available: whether it is available now.
        attributes: what belongs to the state; None: it never has any.
        event_types: of an event entity.
        payload: what a button sends.
    """

    platform: str
    key: str
    name: str
    text: str | None = None
    depends: bool = False
    available: bool = True
    device_class: str | None = None
    unit: str | None = None
    digits: int | None = None
    options: tuple[str, ...] = ()
    attributes: Mapping[str, Any] | None = None
    event_types: tuple[str, ...] = ()
    payload: str = ""


def entities_of(
    figures: Figures, to_do: Sequence[Mapping[str, Any]], *, buttons: bool
) -> list[Entity]:
    """The entities of a tank for what was ever measured of it.

    Args:
        to_do: what to do now in words (``words_of``), most urgent first.
        buttons: with the buttons that mark the first of those.
    """
    return [
        *_measured(figures),
        _first(to_do),
        *_counts(figures),
        Entity(platform="event", key=EVENT, name="Advice", event_types=EVENT_TYPES),
        *(_buttons(to_do) if buttons else ()),
    ]


def _measured(figures: Figures) -> list[Entity]:
    found = [
        Entity(
            platform="sensor",
            key=one.key,
            name=one.name,
            text=None if one.value is None else f"{one.value:.6g}",
            depends=True,
            available=one.value is not None,
            unit=one.unit,
            device_class=_DEVICE_CLASS.get(one.key),
            digits=_DIGITS.get(one.key, 0),
        )
        for one in figures.numbers
    ]
    if PH in figures.measured:
        known = figures.co2_state != Co2State.UNKNOWN
        found.append(
            Entity(
                platform="sensor",
                key="co2_state",
                name="CO2 against its target",
                text=figures.co2_state if known else None,
                depends=True,
                available=known,
                device_class="enum",
                options=tuple(one.value for one in Co2State if one is not Co2State.UNKNOWN),
            )
        )
    if LIGHT in figures.measured:
        found.append(
            Entity(
                platform="binary_sensor",
                key="lit",
                name="Light",
                text=None if figures.lit is None else _switch(figures.lit),
                depends=True,
                available=figures.lit is not None,
                device_class="light",
            )
        )
    return found


def _first(to_do: Sequence[Mapping[str, Any]]) -> Entity:
    """The most urgent thing to do, with the words, and the others after it."""
    first = dict(to_do[0]) if to_do else {}
    return Entity(
        platform="sensor",
        key=FIRST,
        name="What to do first",
        text=_shortened(str(first.get("title", NOTHING))),
        attributes={**first, "others": list(to_do[1:])},
    )


def _counts(figures: Figures) -> list[Entity]:
    return [
        Entity(
            platform="sensor", key="open", name="Open recommendations", text=str(figures.open),
            digits=0,
        ),
        Entity(
            platform="sensor", key="worst", name="Highest severity", text=figures.worst_word,
            device_class="enum", options=WORST_WORDS,
        ),
        *(
            Entity(
                platform="binary_sensor",
                key=severity.word,
                name=f"Open: {severity.word}",
                text=_switch(figures.open_by_severity.get(severity, 0) > 0),
                device_class="problem",
            )
            for severity in Severity
        ),
    ]  # fmt: skip


def _buttons(to_do: Sequence[Mapping[str, Any]]) -> list[Entity]:
    """They send the id of what they mark, so that none marks what nobody has read."""
    first = to_do[0] if to_do else None
    id = "" if first is None else str(first["id"])
    return [
        Entity(
            platform="button", key=DONE, name="Done: what to do first", depends=True,
            available=first is not None and not first["asks"], payload=id,
        ),
        Entity(
            platform="button", key=NOT_NOW, name="Not now: what to do first", depends=True,
            available=first is not None, payload=id,
        ),
    ]  # fmt: skip


def _shortened(text: str) -> str:
    return text if len(text) <= LONGEST_STATE else text[: LONGEST_STATE - 1] + "…"


def _switch(value: bool) -> str:
    return "ON" if value else "OFF"
