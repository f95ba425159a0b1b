"""The form for the log: which fields each kind has, and what they become in the registry."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from typing import Any, Final

from service.errors import FieldFault, InvalidInputError, UnknownUnitError
from service.registry.models import LogKind, Tank
from service.units import QUANTITIES, convert

KIND_WORDS: Final[dict[LogKind, str]] = {
    LogKind.WATER_CHANGE: "Water change",
    LogKind.DOSE: "Dose",
    LogKind.KH_TEST: "KH test",
    LogKind.GH_TEST: "GH test",
    LogKind.TRIM: "Trim",
    LogKind.REPLANT: "Replant",
    LogKind.FILTER_CLEAN: "Filter clean",
    LogKind.STOCKING: "Stocking",
    LogKind.CALIBRATION: "Calibration",
    LogKind.OBSERVATION: "Observation",
}
HARDNESS_UNITS: Final = {"dKH": "°dKH", "meq/L": "meq/L", "ppm CaCO3": "ppm CaCO₃"}
GENERAL_UNITS: Final = {"dGH": "°dGH", "meq/L": "meq/L", "ppm CaCO3": "ppm CaCO₃"}
DOSE_UNITS: Final = {"ml": "mL", "g": "g"}


@dataclass(frozen=True, slots=True)
class Field:
    """One field of the form.

    Attributes:
        name: of the input, and of the key in the data unless ``key`` says otherwise.
        label: what it asks for, with the unit.
        key: key in the entry's data.
        number: a number is asked for.
        required: an entry of the kind is nothing without it.
        unit_choices: unit -> words, where the unit can be chosen; its input is ``NAME_unit``.
        choices: allowed words, where there are only these.
        offers: words to pick from; others may be written.
        start: what stands in it at first.
        hint: a few words under it.
    """

    name: str
    label: str
    key: str
    number: bool = False
    required: bool = False
    unit_choices: Mapping[str, str] | None = None
    choices: tuple[str, ...] = ()
    offers: tuple[str, ...] = ()
    start: str = ""
    hint: str = ""


def fields_of(kind: LogKind, tank: Tank) -> tuple[Field, ...]:
    """The fields of a kind, with what this tank's plans suggest."""
    return _FIELDS[kind](tank)


def data_of(kind: LogKind, tank: Tank, given: Mapping[str, str]) -> dict[str, Any]:
    """The entry's data from the fields as they were sent.

    Raises:
        InvalidInputError: names every field that cannot be read, at ``/data/KEY``.
    """
    data: dict[str, Any] = {}
    faults = []
    for field in fields_of(kind, tank):
        text = given.get(field.name, "").strip()
        if not text:
            continue
        if not field.number:
            data[field.key] = text
            continue
        number = _number(text)
        if number is None:
            message = f"{field.label} is {text[:40]!r}; allowed: a number"
            faults.append(FieldFault(f"/data/{field.key}", message))
            continue
        try:
            key, value = _canonical(field, number, given.get(f"{field.name}_unit", ""))
        except UnknownUnitError as error:
            faults.append(FieldFault(f"/data/{field.key}", error.detail))
            continue
        data[key] = value
    if faults:
        raise InvalidInputError("; ".join(fault.detail for fault in faults), tuple(faults))
    return data


def field_at(kind: LogKind, tank: Tank, pointer: str) -> str:
    """The input that a fault's pointer means; "" where none does."""
    key = pointer.removeprefix("/data/").strip("/")
    if key in ("time", "by", "note"):
        return key
    names = {field.key: field.name for field in fields_of(kind, tank)} | {"ml": "amount"}
    return names.get(key, "")


def _number(text: str) -> float | None:
    try:
        return float(text.replace(",", ".") if "." not in text else text)
    except ValueError:
        return None


def _canonical(field: Field, number: float, unit: str) -> tuple[str, Any]:
    """Key and value in the units that the registry keeps."""
    if field.key == "fraction" or field.key == "fraction":
        return field.key, number / 100.0
    if field.key == "count":
        return field.key, int(number) if number == int(number) else number
    if field.name == "amount":
        if unit not in DOSE_UNITS:
            raise UnknownUnitError(f"unit is {unit[:20]!r}; allowed: {', '.join(DOSE_UNITS)}")
        return unit, number
    if field.unit_choices is not None:
        return field.key, convert(number, unit or next(iter(field.unit_choices)), "meq/L")
    return field.key, number


def _water_change(tank: Tank) -> tuple[Field, ...]:
    plan = tank.water_change
    hardness = Field("kh", "KH of the new water", "kh_meq_l", True, unit_choices=HARDNESS_UNITS)
    return (
        Field(
            "percent",
            "Share changed, %",
            "fraction",
            True,
            True,
            start=f"{100 * plan.fraction:.0f}",
        ),
        Field("temperature", "New water, °C", "temperature_c", True),
        hardness,
    )


def _dose(tank: Tank) -> tuple[Field, ...]:
    names = tuple(dose.name for dose in tank.doses)
    return (
        Field("name", "What", "name", required=True, offers=names, start=names[0] if names else ""),
        Field("amount", "How much", "ml", True, True, unit_choices=DOSE_UNITS),
    )


def _test(label: str, key: str) -> Callable[[Tank], tuple[Field, ...]]:
    units = GENERAL_UNITS if key == "gh_meq_l" else HARDNESS_UNITS
    field = Field("hardness", label, key, True, True, unit_choices=units)
    return lambda tank: (field,)


def _touched(what: str) -> Callable[[Tank], tuple[Field, ...]]:
    return lambda tank: (
        Field("percent", f"Share of {what}, %", "fraction", True),
        Field("part", "Which plants or corner", "part"),
    )


def _stocking(tank: Tank) -> tuple[Field, ...]:
    known = tuple(stock.species for stock in tank.livestock)
    return (
        Field("species", "Species", "species", required=True, offers=known, hint="scientific name"),
        Field("count", "How many", "count", True, True, hint="below 0: so many left"),
    )


def _calibration(tank: Tank) -> tuple[Field, ...]:
    sensors = tuple(sorted(set(tank.sensors.values())))
    return (
        Field("quantity", "What it measures", "quantity", choices=tuple(QUANTITIES), start="ph"),
        Field("sensor", "Sensor", "sensor", offers=sensors),
    )


_FIELDS: Final[dict[LogKind, Callable[[Tank], tuple[Field, ...]]]] = {
    LogKind.WATER_CHANGE: _water_change,
    LogKind.DOSE: _dose,
    LogKind.KH_TEST: _test("Carbonate hardness", "kh_meq_l"),
    LogKind.GH_TEST: _test("General hardness", "gh_meq_l"),
    LogKind.TRIM: _touched("the plants"),
    LogKind.REPLANT: _touched("the plants or soil"),
    LogKind.FILTER_CLEAN: lambda tank: (Field("part", "Which filter or part", "part"),),
    LogKind.STOCKING: _stocking,
    LogKind.CALIBRATION: _calibration,
    LogKind.OBSERVATION: lambda tank: (),
}


def with_given(field: Field, given: Mapping[str, str]) -> Field:
    """The field with what somebody has written in it."""
    return replace(field, start=given.get(field.name, field.start))
