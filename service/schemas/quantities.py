"""Fields of physical quantities: ``{"value", "unit"}`` in any unit in, canonical units out."""

from __future__ import annotations

from typing import Any, Self

import marshmallow as ma

from service import units
from service.errors import Refusal, UnitRefusal, UnknownUnitError, shown
from service.schemas.fields import MISSING, NEAREST, Field, finite, limits_text, within
from service.schemas.unit_schemas import limits_in, quantity_schema, settled, units_of


class Measure(Field):
    """A quantity with its unit.

    Python side: a float in ``unit``. JSON side: ``{"value": 23.4, "unit": "mg/L"}``.

    Attributes:
        display: unit of the trade, written beside the value.
        scale: what ``units.convert`` calls the unit, where the same one has two meanings.
        entry_units: units that a form offers, where they are others than usual for the unit; the
            first is that of a bare number.
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
        scale: str | None = None,
        entry_units: tuple[str, ...] = (),
        **kwargs: Any,
    ) -> None:
        self.scale = scale or unit
        self.entry_units = entry_units
        self.unit, self.low, self.high, self.above, self.display = unit, low, high, above, display
        self.allowed = (
            f'{{"value": number, "unit": text}} in {unit} or a unit that converts to it'
            f"{limits_text(low, high, above, unit)}"
        )
        super().__init__(doc, **kwargs)

    def openapi(self) -> dict[str, Any]:
        properties: dict[str, Any] = {"value": {"type": "number"}}
        if self.display is not None:
            properties["display"] = {
                "type": "object",
                "description": "The same in the unit of the trade; not read on the way in.",
                "properties": {
                    "value": {"type": "number"},
                    "unit": {"type": "string", "enum": [self.display]},
                },
                "required": ["value", "unit"],
                "additionalProperties": False,
                "readOnly": True,
            }
        described = quantity_schema(self, properties, ("value",), self._limits_in)
        schema = super().openapi() | described
        schema["description"] = f"{self.doc} {described['description']}".strip()
        return schema

    @property
    def limits(self) -> str:
        """The limits in words; "" where there are none."""
        return limits_text(self.low, self.high, self.above, self.unit)

    def _limits_in(self, unit: str) -> dict[str, float]:
        return limits_in(unit, self.scale, self.low, self.high, self.above)

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
            converted = units.convert(number, unit, self.scale)
        except UnknownUnitError as error:
            raise ma.ValidationError({"unit": [unit_wrong(unit, self.unit, self.scale)]}) from error
        found = settled(converted, self.low, self.high, self.above)
        if found is None:
            raise ma.ValidationError({"value": [QuantityRefusal(number, unit, self._limits)]})
        return found

    @property
    def _limits(self) -> str:
        limits = limits_text(self.low, self.high, self.above, self.unit)
        if self.display is not None and self.high is not None:
            high = units.convert(self.high, self.unit, self.display)
            limits += f" ({high:.3g} {self.display})"
        return limits.strip() or f"a finite number, in {self.unit}"

    @property
    def allowed_value(self) -> str:
        """A number within the limits, in the unit of the program."""
        return "a number" + (limits_text(self.low, self.high, self.above, self.unit))

    def _check(self, value: Any) -> None:
        number = finite(value)
        if number is None or not within(number, self.low, self.high, self.above):
            raise ma.ValidationError([Refusal(value, self.allowed_value)])


class QuantityRefusal(Refusal):
    """What is wrong with the value of a quantity, which is repeated with its unit."""

    def __new__(cls, value: float, unit: str, allowed: str) -> Self:
        """The text from the value, its unit and what is allowed."""
        made = str.__new__(cls, f"is {shown(value)} {shown(unit)}; allowed: {allowed}")
        made.value, made.allowed = f"{value:.10g} {unit}", allowed
        return made


class Fraction(Measure):
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

    def _limits_in(self, unit: str) -> dict[str, float]:
        part = 1.0 if unit == "%" else 100.0
        least = None if self.above is None else self.above + NEAREST
        found = {"minimum": self.low, "maximum": self.high, "exclusiveMinimum": least}
        return {name: limit / part for name, limit in found.items() if limit is not None}

    @property
    def allowed_value(self) -> str:
        """A number within the limits, as a share of 1."""
        low, above = (None if end is None else end / 100 for end in (self.low, self.above))
        return "a number" + limits_text(low, 1, above)

    def _check(self, value: Any) -> None:
        number = finite(value)
        if number is None or not within(100 * number, self.low, self.high, self.above):
            raise ma.ValidationError([Refusal(value, self.allowed_value)])


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
                raise ma.ValidationError({"unit": [UnitRefusal(unit, "[pH] or pH")]})
            value = given
        number = finite(value)
        if number is None or not within(number, self.low, self.high, None):
            raise self.refuse(value)
        return number


def carbonate_hardness(doc: str, *, high: float = 50.0, **kwargs: Any) -> Measure:
    """Field of a carbonate hardness (KH, an alkalinity): meq/L, with dKH beside it."""
    return Measure("meq/L", doc, low=0.0, high=high, display="dKH", **kwargs)


def general_hardness(doc: str, *, high: float = 50.0, **kwargs: Any) -> Measure:
    """Field of a general hardness (GH, calcium and magnesium): meq/L, with dGH beside it."""
    return Measure("meq/L", doc, low=0.0, high=high, display="dGH", scale=units.HARDNESS, **kwargs)


def read_quantity(value: object, allowed: str, *, display: bool = False) -> tuple[float, str]:
    """Number and unit of a quantity object.

    Raises:
        marshmallow.ValidationError: no object, a member missing or unknown, or no number.
    """
    if not isinstance(value, dict):
        raise ma.ValidationError(Refusal(value, allowed))
    faults: dict[str, list[str]] = {
        name: [MISSING] for name in ("value", "unit") if name not in value
    }
    members = ("value", "unit", "display") if display else ("value", "unit")
    for name in value:
        if name not in members:
            faults[name] = [f"is not known; allowed: {', '.join(members)}"]
    number, unit = finite(value.get("value")), value.get("unit")
    if "value" in value and number is None:
        faults["value"] = [Refusal(value["value"], "a number")]
    if "unit" in value and not isinstance(unit, str):
        faults["unit"] = [Refusal(unit, "text")]
    if faults:
        raise ma.ValidationError(faults)
    assert number is not None and isinstance(unit, str)
    return number, unit


def unit_wrong(unit: str, canonical: str, scale: str) -> UnitRefusal:
    """The refusal of a unit."""
    known = ", ".join(units_of(scale))
    return UnitRefusal(unit, f"a unit that converts to {canonical}, such as {known}")
