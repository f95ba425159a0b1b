"""Fields of ranges and of estimates with their interval."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import marshmallow as ma

from service import units
from service.errors import Refusal, UnknownUnitError
from service.schemas.fields import Field, finite, limits_text, within
from service.schemas.quantities import unit_wrong
from service.schemas.unit_schemas import limits_in, quantity_schema, settled


class Range(Field):
    """A range: ``{"low", "high", "unit"}``; on the Python side a pair of floats or None.

    ``ends`` names the two attributes when the object to write has two.
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
        self.unit, self.scale, self.ends, self.open_ends = unit, unit, ends, open_ends
        self.low, self.high = low, high
        self.allowed = (
            f'{{"low": number, "high": number, "unit": text}} in {unit} or a unit that '
            f"converts to it, low below high{limits_text(low, high, None, unit)}"
        )
        super().__init__(doc, **kwargs)

    def openapi(self) -> dict[str, Any]:
        end = {"type": ["number", "null"] if self.open_ends else "number"}
        described = quantity_schema(
            self,
            {"low": end, "high": end},
            ("low", "high"),
            lambda unit: limits_in(unit, self.unit, self.low, self.high, None),
        )
        schema = super().openapi() | described
        schema["description"] = f"{self.doc} {described['description']}".strip()
        return schema

    @property
    def limits(self) -> str:
        """The limits of both ends in words; "" where there are none."""
        return limits_text(self.low, self.high, None, self.unit)

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
            allowed = f"more than low, which is {value['low']:.10g}"
            raise ma.ValidationError({"high": [Refusal(value["high"], allowed)]})
        return low, high

    def _end(self, value: Mapping[str, Any], name: str, unit: object) -> float | None:
        if value[name] is None and self.open_ends:
            return None
        number = finite(value[name])
        if number is None:
            raise ma.ValidationError({name: [Refusal(value[name], "a number")]})
        if not isinstance(unit, str):
            raise ma.ValidationError({"unit": [Refusal(unit, "text")]})
        try:
            converted = units.convert(number, unit, self.unit)
        except UnknownUnitError as error:
            raise ma.ValidationError({"unit": [unit_wrong(unit, self.unit, self.scale)]}) from error
        found = settled(converted, self.low, self.high)
        if found is None:
            raise ma.ValidationError({name: [Refusal(number, self._end_allowed)]})
        return found

    @property
    def _end_allowed(self) -> str:
        return "a number" + limits_text(self.low, self.high, None, self.unit)

    @property
    def allowed_value(self) -> str:
        """Two numbers within the limits."""
        return f"low below high, each {self._end_allowed}"

    def _check(self, value: Any) -> None:
        faults: dict[str, list[str]] = {}
        for name, end in zip(("low", "high"), value, strict=True):
            if end is None and self.open_ends:
                continue
            number = finite(end)
            if number is None or not within(number, self.low, self.high, None):
                faults[name] = [Refusal(end, self._end_allowed)]
        low, high = value
        if not faults and low is not None and high is not None and low >= high:
            faults["high"] = [Refusal(high, f"more than low, which is {low:.10g}")]
        if faults:
            raise ma.ValidationError(faults)


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
