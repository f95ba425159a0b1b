"""The inputs for the points of a calibration: two buffers or true values and what was shown."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Final

from marshmallow import ValidationError

from service.errors import LEFT_OUT, Refusal
from service.pages.inputs import Input
from service.schemas.entry import json_of
from service.schemas.fields import Number

MILLIVOLTS: Final = "mV"
_UNITS: Final = {"": "as the sensor shows it", MILLIVOLTS: "mV"}
_POINTS: Final = ("first", "second")
_TEMPERATURE: Final = "buffers_temperature"


def _true(point: str) -> str:
    return f"{point}_true"


def _shown(point: str) -> str:
    return f"{point}_shown"


def point_inputs() -> tuple[Input, ...]:
    """Two buffers or true values, each with what the sensor showed in it."""
    found: list[Input] = []
    for point in _POINTS:
        found.append(_input(_true(point), f"{point.capitalize()} buffer or true value"))
        hint = "both empty: the device itself was set" if point == _POINTS[0] else ""
        units = _UNITS if point == _POINTS[0] else None
        found.append(
            _input(
                _shown(point), f"What the sensor showed in the {point}", hint, unit_choices=units
            )
        )
    found.append(_input(_TEMPERATURE, "Temperature of the buffers, °C", "with mV; empty: 25"))
    return tuple(found)


def _input(
    name: str, label: str, hint: str = "", *, unit_choices: Mapping[str, str] | None = None
) -> Input:
    fields = dict.fromkeys(unit_choices or ("",), name)
    return Input(name, label, fields, number=True, unit_choices=unit_choices, hint=hint)


@dataclass(frozen=True, slots=True)
class Given:
    """What was written in the inputs, as numbers; faults by the name of the input."""

    numbers: Mapping[str, float]
    faults: Mapping[str, Any]


def points_of(given: Mapping[str, str]) -> tuple[list[dict[str, Any]], dict[str, Any]]:
    """The points as an entry has them, and what is wrong, by the name of the input."""
    read = _read(given)
    faults = dict(read.faults)
    points: list[dict[str, Any]] = []
    millivolts = given.get(f"{_shown(_POINTS[0])}_unit") == MILLIVOLTS
    for point in _POINTS:
        names = _true(point), _shown(point)
        missing = [name for name in names if name not in read.numbers and name not in faults]
        if len(missing) == len(names) or any(name in faults for name in names):
            continue
        if missing:
            allowed = "a number such as 7.01, where the other one is given"
            faults[missing[0]] = [Refusal(LEFT_OUT, allowed)]
            continue
        true, shown = (read.numbers[name] for name in names)
        if millivolts:
            celsius = read.numbers.get(_TEMPERATURE)
            warm = {} if celsius is None else {"temperature_c": celsius}
            points.append({"ph": true, "millivolts": shown, **warm})
        else:
            points.append({"reading": shown, "reference": true})
    return points, faults


def _read(given: Mapping[str, str]) -> Given:
    numbers: dict[str, float] = {}
    faults: dict[str, Any] = {}
    for one in point_inputs():
        text = given.get(one.name, "").strip()
        if not text:
            continue
        try:
            field = Number()
            numbers[one.name] = field.deserialize(json_of(field, text, ""))
        except ValidationError as error:
            faults[one.name] = error.messages
    return Given(numbers, faults)
