"""JSON Schema of quantities: the units that are promised, each with the limits it means."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from typing import Any, Final, Protocol

from service import units
from service.schemas.fields import NEAREST, within

_UNITS: Final[Mapping[str, tuple[str, ...]]] = {
    "Cel": ("Cel", "[degF]", "K"),
    "L": ("L", "mL", "gal", "[gal_br]"),
    "cm": ("cm", "mm", "in", "ft"),
    "m": ("m", "ft"),
    "mg/L": ("mg/L", "g/L", "ug/L"),
    "g": ("g", "mg", "oz"),
    "mV": ("mV", "V"),
    "mL": ("mL", "L", "fl oz"),
    "meq/L": ("meq/L", "dKH", "mmol/L", "°fH", "°e", "ppm CaCO3"),
    units.HARDNESS: ("meq/L", "dGH", "mmol/L", "°fH", "°e", "ppm CaCO3"),
    "uS/cm": ("uS/cm", "mS/cm", "S/m"),
    "lx": ("lx", "klx"),
    "umol/m2/s": ("umol/m2/s",),
    "mol/m2/d": ("mol/m2/d",),
    "%": ("%", "1"),
    "h": ("h", "min", "d"),
    "d": ("d", "h"),
}
"""Units that the document promises, by canonical UCUM code; others that convert are understood."""


_NOTES: Final[Mapping[str, str]] = {
    "L": "`gal` is the US gallon, 3.785 L, and `[gal_br]` the imperial one, 4.546 L",
    "meq/L": "1 mmol/L, as of an acid capacity, is 1 meq/L",
    units.HARDNESS: "1 mmol/L of calcium and magnesium is 2 meq/L",
}
"""What units that mean two things mean here."""


class Limited(Protocol):
    """A field of quantities: its unit, its limits, and whether it is read at all.

    Attributes:
        scale: what ``units.convert`` calls the unit.
    """

    unit: str
    scale: str
    allow_none: bool

    @property
    def only_written(self) -> bool: ...
    @property
    def limits(self) -> str: ...


def units_of(canonical: str) -> tuple[str, ...]:
    """Units to name for a quantity; the first is the one in which it is stored."""
    return _UNITS.get(canonical, (canonical,))


def quantity_schema(
    field: Limited,
    properties: Mapping[str, Any],
    numbers: Sequence[str],
    limits: Callable[[str], dict[str, float]],
) -> dict[str, Any]:
    """The JSON Schema of an object of numbers and their unit: ``oneOf`` the units, with limits.

    Args:
        properties: schemas of all members but ``unit``.
        numbers: those of them to which the limits apply.
        limits: gives the limits in a unit, as JSON Schema.
    """
    known = (field.unit,) if field.only_written else units_of(field.scale)
    text = f"In {field.unit}"
    if not field.only_written:
        text += " on the way out, in any unit that converts to it on the way in"
        text += f"; a value{field.limits}" if field.limits else ""
        text += f"; {_NOTES[field.scale]}" if field.scale in _NOTES else ""
    schema: dict[str, Any] = {
        "description": f"{text}.",
        "type": ["object", "null"] if field.allow_none else "object",
        "properties": {**properties, "unit": {"type": "string", "enum": list(known)}},
        "required": [*numbers, "unit"],
        "additionalProperties": False,
    }
    if field.only_written or not limits(field.unit):
        return schema
    cases: list[dict[str, Any]] = [
        {
            "type": "object",
            "properties": {"unit": {"const": unit}} | dict.fromkeys(numbers, limits(unit)),
        }
        for unit in known
    ]
    if len(cases) == 1:
        for name in numbers:
            schema["properties"][name] = schema["properties"][name] | limits(field.unit)
        return schema
    return schema | {"oneOf": [*cases, {"type": "null"}] if field.allow_none else cases}


def limits_in(
    unit: str, canonical: str, low: float | None, high: float | None, above: float | None
) -> dict[str, float]:
    """Limits of a quantity in another unit, as JSON Schema.

    They lie so that what they allow is within the limits after conversion too.
    """
    found: dict[str, float] = {}
    if low is not None:
        found["minimum"] = _inside(low, unit, canonical, (low, None, None), math.inf)
    if above is not None:
        least = above + NEAREST
        found["exclusiveMinimum"] = _inside(least, unit, canonical, (None, None, above), math.inf)
    if high is not None:
        found["maximum"] = _inside(high, unit, canonical, (None, high, None), -math.inf)
    return found


def settled(
    converted: float, low: float | None, high: float | None, above: float | None = None
) -> float | None:
    """A converted number that lies within limits but for digits that conversion left over.

    Returns:
        The number, not beyond a limit; None where it is out of them or not finite.
    """
    if not math.isfinite(converted):
        return None
    if not within(float(f"{converted:.12g}"), low, high, None):
        return None
    if not within(converted, None, None, above):
        return None
    if low is not None:
        converted = max(converted, low)
    return converted if high is None else min(converted, high)


def _inside(
    limit: float,
    unit: str,
    canonical: str,
    within_limits: tuple[float | None, float | None, float | None],
    inwards: float,
) -> float:
    """A limit in another unit, the nearest to it on the inner side."""
    exact = units.convert(limit, canonical, unit)
    for start in (float(f"{exact:.12g}"), exact):
        found = start
        for _ in range(8):
            if settled(units.convert(found, unit, canonical), *within_limits) is not None:
                return int(found) if found == int(found) else found
            found = math.nextafter(found, inwards)
    raise ValueError(f"{limit:g} {canonical} cannot be written in {unit}")
