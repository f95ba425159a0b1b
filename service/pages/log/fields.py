"""The form for the log: inputs made of the table of fields, and what was written in them."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace
from typing import Any, Final

from marshmallow import ValidationError

from service.errors import UnitRefusal
from service.pages.inputs import Input, input_of, unit_words
from service.pages.log.calibration import point_inputs, points_of
from service.pages.observe import OBSERVED
from service.registry.fields.log.entry import OneOf
from service.registry.fields.log.kinds import KINDS
from service.registry.log.volume import to_stored
from service.registry.models.log import LogKind
from service.registry.models.tank import Tank
from service.schemas.entry import json_of, units_of
from service.schemas.fields import Field
from service.schemas.messages import error_of_messages
from service.schemas.written import number_text

AMOUNT: Final = "amount"
"""Name of the input for fields of which there is one."""

INPUT_NAMES: Final[Mapping[str, str]] = {"kind": OBSERVED}
"""Names of inputs of fields whose own name belongs to the form: ``kind`` is that of the entry."""

KIND_WORDS: Final[dict[LogKind, str]] = {kind: schema.label for kind, schema in KINDS.items()}


def inputs_of(kind: LogKind, tank: Tank) -> tuple[Input, ...]:
    """The inputs of a kind, with what this tank's plans suggest."""
    schema = KINDS[kind]
    together = schema.one_of
    names = [name for name in schema.load_fields if schema.asked is None or name in schema.asked]
    found: list[Input] = []
    for name in names:
        field = schema.fields[name]
        if together is not None and name in together.names:
            if name == together.names[0]:
                found.append(_joint_input(schema.fields, together))
        elif isinstance(field, Field):
            found.append(replace(input_of(name, field), name=INPUT_NAMES.get(name, name)))
    if kind is LogKind.CALIBRATION:
        found += point_inputs()
    suggestions = _SUGGESTIONS[kind](tank) if kind in _SUGGESTIONS else {}
    return tuple(replace(one, **suggestions.get(one.name, {})) for one in found)


def data_of(kind: LogKind, tank: Tank, given: Mapping[str, str]) -> dict[str, Any]:
    """The entry's data, as they are stored, from the inputs as they were sent.

    Raises:
        InvalidInputError: names every field that is not allowed, at ``/data/NAME``.
    """
    schema = KINDS[kind]
    body: dict[str, Any] = {}
    faults: dict[str, Any] = {}
    points: list[dict[str, Any]] = []
    if kind is LogKind.CALIBRATION:
        points, faults = points_of(given)
    if points:
        body["points"] = points
    for one in inputs_of(kind, tank):
        text = given.get(one.name, "").strip()
        if not text or one in point_inputs():
            continue
        unit = given.get(f"{one.name}_unit", "") or next(iter(one.fields))
        name = one.fields.get(unit)
        if name is None:
            first = next(iter(one.fields.values()))
            faults[first] = [UnitRefusal(unit, ", ".join(one.fields))]
            continue
        field = schema.fields[name]
        assert isinstance(field, Field)
        try:
            body[name] = json_of(field, text, unit)
        except ValidationError as error:
            faults[name] = error.messages
    try:
        data = schema.load(body, partial=tuple(faults))
    except ValidationError as error:
        messages = error.messages
        faults |= messages if isinstance(messages, dict) else {"": messages}
    if faults:
        raise error_of_messages({"data": faults})
    return to_stored(kind, data, tank)


def input_at(inputs: tuple[Input, ...], pointer: str) -> Input | None:
    """The input that a fault's pointer means."""
    part = pointer.removeprefix("/data/").split("/")[0]
    return next((one for one in inputs if part in one.fields.values()), None)


def _joint_input(fields: Mapping[str, Any], together: OneOf) -> Input:
    """One input for fields of which there is exactly one; the unit says which."""
    by_unit = {unit: name for name in together.names for unit in units_of(fields[name])}
    units = unit_words(tuple(by_unit))
    return Input(AMOUNT, together.label, by_unit, True, True, unit_choices=units)


def _dose(tank: Tank) -> dict[str, Any]:
    names = tuple(dose.name for dose in tank.doses)
    return {"name": {"offers": names, "start": names[0] if names else ""}}


def _plants(tank: Tank) -> dict[str, Any]:
    return {"plant": {"offers": tuple(one.species for one in tank.plants)}}


#: What a tank's plans suggest: members of the inputs, by the inputs' names.
_SUGGESTIONS: Final[Mapping[LogKind, Callable[[Tank], dict[str, Any]]]] = {
    LogKind.WATER_CHANGE: lambda tank: {
        AMOUNT: {"start": f"{100 * tank.water_change.fraction:.0f}"}
    },
    LogKind.DOSE: _dose,
    LogKind.CYLINDER: lambda tank: {
        "content": {"start": "" if tank.cylinder is None else number_text(tank.cylinder.content_g)}
    },
    LogKind.STOCKING: lambda tank: {
        "species": {"offers": tuple(stock.species for stock in tank.animals)}
    },
    LogKind.TRIM: _plants,
    LogKind.REPLANT: _plants,
    LogKind.OBSERVATION: _plants,
    LogKind.CALIBRATION: lambda tank: {
        "sensor": {
            "offers": tuple(sorted(set(tank.sensors.values()))),
            "start": tank.sensors.get("ph", "main"),
        }
    },
}
