"""A calculation as a row of a table: fields of question and answer, an example, the function."""

from __future__ import annotations

import copy
import json
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from dataclasses import field as attribute
from functools import cached_property
from typing import Any, Final

import marshmallow as ma

from service.schemas.answers import AnswerSchema
from service.schemas.base import Items, Schema
from service.schemas.fields import Text
from service.schemas.quantities import Fraction, Measure

_SHORT: Final = {"Cel": "c", "lx": "lux"}

Fields = Mapping[str, ma.fields.Field[Any]]


@dataclass(frozen=True, kw_only=True)
class Formula:
    """One calculation.

    Attributes:
        name: last part of its address, as in ``/v1/calculate/water-change``.
        title: one line; ``about``: what else to know of it.
        asks: fields of the question by their name in JSON. A quantity becomes the parameter of its
            name and unit: ``volume`` in L is ``volume_l``; an ``attribute`` overrides that.
        answers: fields of the answer, all of which are always there; named in the same way after
            the attributes of what the function returns.
        example: a question.
        together: which members of the question exclude or need each other, as JSON Schema.
        function: takes what is asked as keyword arguments.
    """

    name: str
    title: str
    asks: Fields
    answers: Fields
    example: Mapping[str, Any]
    function: Callable[..., Any]
    about: str = ""
    together: Mapping[str, Any] = attribute(default_factory=dict)

    @cached_property
    def question(self) -> type[ma.Schema]:
        """Schema of the question."""
        made = Schema.from_dict(_with_units(self.asks), name=f"{self._title}QuestionSchema")
        return type(made.__name__, (made,), {"json_schema": self.together})

    @cached_property
    def answer(self) -> type[ma.Schema]:
        """Schema of the answer."""
        return AnswerSchema.from_dict(_with_units(self.answers), name=f"{self._title}AnswerSchema")

    @property
    def _title(self) -> str:
        return "".join(word.capitalize() for word in self.name.split("-"))


def _with_units(fields: Fields) -> dict[str, ma.fields.Field[Any]]:
    """Copies of the fields, each quantity with the attribute of its name and unit."""
    found = {name: copy.copy(field) for name, field in fields.items()}
    for name, field in found.items():
        named = field.attribute is not None or isinstance(field, Fraction)
        if isinstance(field, Measure) and not named:
            unit = _SHORT.get(field.unit, field.unit.lower().replace("/", "_"))
            field.attribute = f"{name}_{unit}"
    return found


def given(**members: Any) -> dict[str, Any]:
    """An example; ``"4 dKH"`` becomes a quantity."""
    return {name: _quantity(value) for name, value in members.items()}


def _quantity(value: object) -> object:
    if not isinstance(value, str) or " " not in value:
        return value
    number, unit = value.split(" ", 1)
    return {"value": json.loads(number), "unit": unit}


def sentences(doc: str = "") -> Items:
    """Field of reasons or cautions."""
    return Items(Text(longest=1000), doc)
