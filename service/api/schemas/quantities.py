"""Fields of physical quantities: ``{"value", "unit"}`` in any unit in, canonical units out."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final

import marshmallow as ma

from service import units
from service.api.schemas.fields import MISSING, Field, finite, limits_text, within
from service.api.schemas.refusal import UnitRefusal, shown, wrong
from service.errors import UnknownUnitError

#: Units worth naming in the documentation, by canonical UCUM code.
_EXAMPLES: Final[dict[str, tuple[str, ...]]] = {
    "Cel": ("Cel", "[degF]", "K"),
    "L": ("L", "mL", "gal"),
    "cm": ("cm", "mm", "in", "ft"),
    "m": ("m", "ft"),
    "mg/L": ("mg/L", "g/L", "ug/L"),
    "g": ("g", "mg", "oz"),
    "mV": ("mV", "V"),
    "mL": ("mL", "L", "fl oz"),
    "meq/L": ("meq/L", "dKH", "ppm CaCO3"),
    "uS/cm": ("uS/cm", "mS/cm", "S/m"),
    "lx": ("lx", "klx"),
    "umol/m2/s": ("umol/m2/s",),
    "mol/m2/d": ("mol/m2/d",),
    "%": ("%", "1"),
    "h": ("h", "min", "d"),
    "d": ("d", "h"),
}


class Measure(Field):
    """A quantity with its unit.

    Python side: a float in ``unit``. JSON side: ``{"value": 23.4, "unit": "mg/L"}``.
    """

    def __init__(
        self,
        unit: str,
        doc: str = "",
        *,
        low: float | None = None,
        high: float | None = None,
        above: float | None = None,
        display: str | None = None,
        **kwargs: Any,
    ) -> None:
        self.unit, self.low, self.high, self.above, self.display = unit, low, high, above, display
        self.allowed = (
            f'{{"value": number, "unit": text}} in {unit} or a unit that converts to it'
            f"{limits_text(low, high, above)}{f' {unit}' if low or high or above else ''}"
        )
        super().__init__(doc, **kwargs)

    def openapi(self) -> dict[str, Any]:
        properties: dict[str, Any] = {
            "value": {"type": "number"},
            "unit": {"type": "string", "examples": list(_EXAMPLES.get(self.unit, (self.unit,)))},
        }
        if self.display is not None:
            properties["display"] = {
                "type": "object",
                "description": "The same in the unit of the trade; not read on the way in.",
                "properties": {
                    "value": {"type": "number"},
                    "unit": {"type": "string"},
                },
                "required": ["value", "unit"],
                "additionalProperties": False,
                "readOnly": True,
            }
        schema = super().openapi()
        limits = limits_text(self.low, self.high, self.above)
        told = f"In {self.unit} on the way out, in any unit that converts to it on the way in"
        told += f"; a value{limits} {self.unit}." if limits else "."
        schema["description"] = f"{self.doc} {told}".strip()
        schema["type"] = ["object", "null"] if self.allow_none else "object"
        schema |= {
            "properties": properties,
            "required": ["value", "unit"],
            "additionalProperties": False,
        }
        return schema

    def _serialize(self, value: Any, attr: Any, obj: Any, **kwargs: Any) -> dict[str, Any] | None:
        if value is None:
            return None
        out: dict[str, Any] = {"value": float(value), "unit": self.unit}
        if self.display is not None:
            out["display"] = {
                "value": units.convert(float(value), self.unit, self.display),
                "unit": self.display,
            }
        return out

    def _deserialize(self, value: Any, attr: Any, data: Any, **kwargs: Any) -> float:
        number, unit = read_quantity(value, self.allowed, display=self.display is not None)
        try:
            converted = units.convert(number, unit, self.unit)
        except UnknownUnitError as error:
            raise ma.ValidationError({"unit": [unit_wrong(unit, self.unit)]}) from error
        if finite(converted) is None or not within(converted, self.low, self.high, self.above):
            limits = limits_text(self.low, self.high, self.above).strip() or "a finite number"
            raise ma.ValidationError(
                {"value": [f"is {shown(number)} {shown(unit)}; allowed: {limits} {self.unit}"]}
            )
        return converted


class Share(Measure):
    """A share of a whole: 0 to 1 on the Python side, per cent in JSON; ``%`` or ``1`` in."""

    def __init__(
        self,
        doc: str = "",
        *,
        low: float | None = 0,
        above: float | None = None,
        **kwargs: Any,
    ) -> None:
        super().__init__(
            "%", doc, low=None if above is not None else low, above=above, high=100, **kwargs
        )

    def _serialize(self, value: Any, attr: Any, obj: Any, **kwargs: Any) -> dict[str, Any] | None:
        percent = None if value is None else 100 * float(value)
        return super()._serialize(percent, attr, obj, **kwargs)

    def _deserialize(self, value: Any, attr: Any, data: Any, **kwargs: Any) -> float:
        if isinstance(value, dict) and value.get("unit") == "1":
            number = finite(value.get("value"))
            value = value | {
                "unit": "%",
                "value": value.get("value") if number is None else 100 * number,
            }
        return super()._deserialize(value, attr, data, **kwargs) / 100


class Ph(Field):
    """pH: a bare number, or ``{"value": 6.6, "unit": "[pH]"}``; written as the latter."""

    def __init__(self, doc: str = "", *, low: float = 2.0, high: float = 12.0, **kwargs: Any):
        self.low, self.high = low, high
        self.allowed = f"a number from {low:g} to {high:g}"
        super().__init__(doc, **kwargs)

    def openapi(self) -> dict[str, Any]:
        number = {"type": "number", "minimum": self.low, "maximum": self.high}
        quantity = {
            "type": "object",
            "properties": {"value": number, "unit": {"type": "string", "enum": ["[pH]", "pH"]}},
            "required": ["value", "unit"],
            "additionalProperties": False,
        }
        shapes: list[dict[str, Any]] = [number, quantity]
        if self.allow_none:
            shapes.append({"type": "null"})
        return super().openapi() | {"anyOf": shapes}

    def _serialize(self, value: Any, attr: Any, obj: Any, **kwargs: Any) -> dict[str, Any] | None:
        return None if value is None else {"value": float(value), "unit": "[pH]"}

    def _deserialize(self, value: Any, attr: Any, data: Any, **kwargs: Any) -> float:
        if isinstance(value, dict):
            given, unit = read_quantity(value, self.allowed)
            if unit not in ("[pH]", "pH"):
                raise ma.ValidationError({"unit": [UnitRefusal(wrong(unit, "[pH] or pH"))]})
            value = given
        number = finite(value)
        if number is None or not within(number, self.low, self.high, None):
            raise self.refuse(value)
        return number


class Range(Field):
    """A range: ``{"low", "high", "unit"}``; on the Python side a pair of floats or None.

    ``ends`` names the two attributes when the object to write keeps them apart.
    """

    def __init__(
        self,
        unit: str,
        doc: str = "",
        *,
        ends: tuple[str, str] | None = None,
        low: float | None = None,
        high: float | None = None,
        open_ends: bool = False,
        **kwargs: Any,
    ) -> None:
        self.unit, self.ends, self.open_ends = unit, ends, open_ends
        self.low, self.high = low, high
        self.allowed = (
            f'{{"low": number, "high": number, "unit": text}} in {unit} or a unit that '
            f"converts to it, low below high{limits_text(low, high, None)}"
        )
        super().__init__(doc, **kwargs)

    def openapi(self) -> dict[str, Any]:
        end = {"type": ["number", "null"] if self.open_ends else "number"}
        schema = super().openapi()
        schema["type"] = ["object", "null"] if self.allow_none else "object"
        schema |= {
            "properties": {
                "low": end,
                "high": end,
                "unit": {
                    "type": "string",
                    "examples": list(_EXAMPLES.get(self.unit, (self.unit,))),
                },
            },
            "required": ["low", "high", "unit"],
            "additionalProperties": False,
        }
        return schema

    def serialize(self, attr: str, obj: Any, accessor: Any = None, **kwargs: Any) -> Any:
        if self.ends is None:
            return super().serialize(attr, obj, accessor, **kwargs)
        low, high = (getattr(obj, name) for name in self.ends)
        return self._written(low, high)

    def _serialize(self, value: Any, attr: Any, obj: Any, **kwargs: Any) -> dict[str, Any] | None:
        return None if value is None else self._written(*value)

    def _written(self, low: float | None, high: float | None) -> dict[str, Any]:
        return {
            "low": None if low is None else float(low),
            "high": None if high is None else float(high),
            "unit": self.unit,
        }

    def _deserialize(
        self, value: Any, attr: Any, data: Any, **kwargs: Any
    ) -> tuple[float | None, float | None]:
        members = {"low", "high", "unit"}
        if not isinstance(value, dict) or set(value) != members:
            raise self.refuse(value)
        unit = value["unit"]
        low, high = (self._end(value, name, unit) for name in ("low", "high"))
        if low is not None and high is not None and low >= high:
            raise ma.ValidationError({"high": [wrong(value["high"], "more than low")]})
        return low, high

    def _end(self, value: Mapping[str, Any], name: str, unit: object) -> float | None:
        if value[name] is None and self.open_ends:
            return None
        number = finite(value[name])
        if number is None:
            raise ma.ValidationError({name: [wrong(value[name], "a number")]})
        if not isinstance(unit, str):
            raise ma.ValidationError({"unit": [wrong(unit, "text")]})
        try:
            converted = units.convert(number, unit, self.unit)
        except UnknownUnitError as error:
            raise ma.ValidationError({"unit": [unit_wrong(unit, self.unit)]}) from error
        if finite(converted) is None or not within(converted, self.low, self.high, None):
            limits = limits_text(self.low, self.high, None).strip() or "a finite number"
            raise ma.ValidationError({name: [wrong(number, f"{limits} {self.unit}")]})
        return converted


class Estimated(Field):
    """An estimate: ``{"value", "low", "high", "unit"}``, a 95 % interval; only written."""

    def __init__(self, unit: str, doc: str = "", **kwargs: Any) -> None:
        self.unit = unit
        super().__init__(doc, dump_only=True, **kwargs)

    def openapi(self) -> dict[str, Any]:
        number = {"type": "number"}
        schema = super().openapi()
        schema["type"] = ["object", "null"] if self.allow_none else "object"
        schema |= {
            "properties": {
                "value": number,
                "low": number | {"description": "Lower end of the 95 % interval."},
                "high": number | {"description": "Upper end of the 95 % interval."},
                "unit": {"type": "string", "enum": [self.unit]},
            },
            "required": ["value", "low", "high", "unit"],
            "additionalProperties": False,
        }
        return schema

    def _serialize(self, value: Any, attr: Any, obj: Any, **kwargs: Any) -> dict[str, Any] | None:
        if value is None:
            return None
        return {
            "value": float(value.value),
            "low": float(value.low),
            "high": float(value.high),
            "unit": self.unit,
        }


def alkalinity(doc: str, *, high: float = 50.0, **kwargs: Any) -> Measure:
    """Field of an alkalinity (carbonate hardness): meq/L, with dKH beside it."""
    return Measure("meq/L", doc, low=0.0, high=high, display="dKH", **kwargs)


def hardness(doc: str, *, high: float = 50.0, **kwargs: Any) -> Measure:
    """Field of a general hardness (calcium and magnesium): meq/L, with dGH beside it."""
    return Measure("meq/L", doc, low=0.0, high=high, display="dGH", **kwargs)


def read_quantity(value: object, allowed: str, *, display: bool = False) -> tuple[float, str]:
    """Number and unit of a quantity object.

    Raises:
        marshmallow.ValidationError: no object, a member missing or unknown, or no number.
    """
    if not isinstance(value, dict):
        raise ma.ValidationError(wrong(value, allowed))
    faults: dict[str, list[str]] = {
        name: [MISSING] for name in ("value", "unit") if name not in value
    }
    members = ("value", "unit", "display") if display else ("value", "unit")
    for name in value:
        if name not in members:
            faults[name] = [f"is not known; allowed: {', '.join(members)}"]
    number, unit = finite(value.get("value")), value.get("unit")
    if "value" in value and number is None:
        faults["value"] = [wrong(value["value"], "a number")]
    if "unit" in value and not isinstance(unit, str):
        faults["unit"] = [wrong(unit, "text")]
    if faults:
        raise ma.ValidationError(faults)
    assert number is not None and isinstance(unit, str)
    return number, unit


def unit_wrong(unit: str, canonical: str) -> UnitRefusal:
    """The refusal of a unit."""
    known = ", ".join(_EXAMPLES.get(canonical, (canonical,)))
    return UnitRefusal(wrong(unit, f"a unit that converts to {canonical}, such as {known}"))
