"""Which quantity a word of a topic or a key means, such as ``tempF``, ``ph_value``, ``light_lux``.

Only what a word says is taken: its unit where it names one, the place of the sensor. What may be
something else than the water (``air_temp``, ``cpu_temperature``, ``temp_setpoint``) or has no known
scale (``light``, ``ph_raw``) means nothing here and is left to a person.
"""

from __future__ import annotations

import re
from functools import lru_cache
from typing import Final, NamedTuple

LONGEST: Final = 64
"""A longer word is none that a person has given to a sensor."""

_PARTS: Final = re.compile(r"[A-Z]+(?![a-z])|[A-Z]?[a-z]+|\d+")
#: What has a capital letter inside and is one part.
_WHOLE: Final = re.compile(r"pH|(?<![A-Za-z])(?:m[VS]|[uµ]S)(?![a-z])")
#: Part of a word -> the quantity.
_QUANTITY: Final = {
    "temperature": "temperature",
    "temp": "temperature",
    "ph": "ph",
    "illuminance": "illuminance",
    "lux": "illuminance",
    "ppfd": "ppfd",
    "par": "ppfd",
    "conductivity": "conductivity",
    "ec": "conductivity",
    "oxygen": "dissolved_oxygen",
}
#: Quantity -> part of a word -> the unit.
_UNITS: Final[dict[str, dict[str, str]]] = {
    "temperature": {
        **dict.fromkeys(("c", "cel", "celsius", "degc"), "Cel"),
        **dict.fromkeys(("f", "fahrenheit", "degf"), "degF"),
        **dict.fromkeys(("k", "kelvin"), "K"),
    },
    "ph": {"mv": "mV"},
    "illuminance": {"lux": "lx", "lx": "lx", "klx": "klx", "klux": "klx"},
    "conductivity": {"us": "uS/cm", "uscm": "uS/cm", "ms": "mS/cm", "mscm": "mS/cm"},
}
#: Parts that belong to a unit or a quantity and say nothing more, by quantity.
_BESIDE: Final = {
    "temperature": frozenset({"deg"}),
    "illuminance": frozenset({"light"}),
    "ppfd": frozenset({"light", "umol"}),
    "conductivity": frozenset({"electrical", "cm"}),
    "dissolved_oxygen": frozenset({"dissolved", "mg", "l", "mgl"}),
}
#: Parts that say nothing of which or where.
_FILLERS: Final = frozenset({
    "value", "val", "state", "reading", "sensor", "probe", "water", "tank", "main", "current",
    "measured", "status", "level", "data",
})  # fmt: skip
#: Parts with which a word may mean something else than a reading of the water.
_OTHERS: Final = frozenset({
    "air", "room", "ambient", "indoor", "outdoor", "outside", "weather", "cpu", "chip",
    "board", "esp", "mcu", "soc", "internal", "core", "case", "heatsink", "lamp", "light",
    "led", "color", "colour", "set", "setpoint", "target", "desired", "goal", "min", "max",
    "minimum", "maximum", "alarm", "limit", "threshold", "offset", "calibration", "slope",
    "raw", "adc", "voltage", "volt", "volts", "v", "error", "delta", "diff", "difference",
    "trend", "rate", "dew", "saturation", "percent", "pct", "sat", "age", "time", "interval",
    "unit", "units", "name", "id", "last", "battery", "pressure", "humidity", "count", "index",
    "resistance",
})  # fmt: skip
#: Those of them that say so as a level of a topic, in which a board or an id is nothing unusual.
_ELSEWHERE: Final = frozenset({
    "air", "room", "ambient", "indoor", "outdoor", "outside", "weather", "cpu", "chip", "mcu",
    "heatsink", "lamp", "led", "set", "setpoint", "target", "desired",
})  # fmt: skip


class Meant(NamedTuple):
    """What a word means.

    Attributes:
        unit: that the word names; None: it names none.
        place: what else it says, as a sensor's name: ``rear``; "": nothing.
    """

    quantity: str
    unit: str | None
    place: str


def parts_of(word: str) -> list[str]:
    """The parts of a word, in small letters: ``lightLux`` and ``light_lux`` have the same two."""
    whole = _WHOLE.sub(lambda found: found[0].lower().replace("µ", "u"), word)
    return [part.lower() for part in _PARTS.findall(whole)]


@lru_cache(maxsize=4096)
def _meant_by(word: str) -> Meant | None:
    parts = parts_of(word)
    quantities = {_QUANTITY[part] for part in parts if part in _QUANTITY}
    if len(quantities) != 1:
        return None
    (quantity,) = quantities
    units = _UNITS.get(quantity, {})
    beside = _BESIDE.get(quantity, frozenset())
    named = {units[part] for part in parts if part in units}
    rest = [
        part
        for part in parts
        if part not in _QUANTITY and part not in units and part not in beside | _FILLERS
    ]
    if len(named) > 1 or any(part in _OTHERS for part in rest):
        return None
    place = "-".join(rest)
    if place.isdecimal():
        place = f"{quantity}-{place}"
    return Meant(quantity, next(iter(named), None), place)


def meant_by(word: str) -> Meant | None:
    """What a word means; None where it names no quantity, or perhaps not that of the water."""
    return _meant_by(word) if len(word) <= LONGEST else None


def place_of(word: str) -> str | None:
    """The place that a word without a quantity names; "": none; None: not in the water."""
    parts = parts_of(word) if len(word) <= LONGEST else []
    if any(part in _OTHERS for part in parts):
        return None
    return word if any(part not in _FILLERS for part in parts) else ""


def is_elsewhere(word: str) -> bool:
    """Whether a level of a topic says that its values are not those of the water."""
    return len(word) <= LONGEST and any(part in _ELSEWHERE for part in parts_of(word))
