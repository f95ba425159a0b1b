"""Schemas of answers: members that are always there, of several attributes, of columns."""

from __future__ import annotations

from dataclasses import dataclass

import pytest

from service.schemas.answers import AnswerSchema, Part, Rows, With
from service.schemas.fields import Number, Text


@dataclass(frozen=True)
class Fish:
    """An invented value."""

    name: str
    length: float | None
    unit: str = "cm"


class LengthSchema(AnswerSchema):
    """Number and unit."""

    value = Number()
    unit = Text()


class FishSchema(AnswerSchema):
    """What there is to know of a fish."""

    name = Text()
    length = Part(LengthSchema, of={"value": "length", "unit": "unit"}, allow_none=True)
    food = Text(attribute="keeper.food", allow_none=True)


def test_every_member_is_there_and_documented_so():
    shown = FishSchema().dump(With(Fish("a", None), keeper=None))
    assert shown == {"name": "a", "length": None, "food": None}
    assert all(field.required for field in FishSchema().fields.values())


def test_a_member_that_the_value_lacks_is_a_defect_not_an_absent_member():
    class Schema(AnswerSchema):
        weight = Number(allow_none=True)

    with pytest.raises(AttributeError, match="Schema writes weight, which Fish"):
        Schema().dump(Fish("a", None))


def test_of_nothing_a_member_is_null_or_its_default():
    class Schema(AnswerSchema):
        food = Text(attribute="keeper.food", allow_none=True)
        meals = Number(attribute="keeper.meals", dump_default=0)

    assert Schema().dump(With(None, keeper=None)) == {"food": None, "meals": 0}


def test_a_part_is_made_of_attributes_of_the_value():
    shown = FishSchema().dump(With(Fish("a", 3.0), keeper=None))
    assert shown["length"] == {"value": 3.0, "unit": "cm"}


def test_a_part_that_may_not_be_null_is_always_an_object():
    class Schema(AnswerSchema):
        length = Part(LengthSchema, of={"value": "length", "unit": "unit"})

    assert Schema().dump(Fish("a", None)) == {"length": {"value": None, "unit": "cm"}}


def test_a_value_with_members_beside_its_own():
    fish = With(Fish("a", 3.0), keeper=Fish("b", None), name="c")
    assert (fish.name, fish.length, fish.keeper.name) == ("c", 3.0, "b")
    assert FishSchema().dump(With(Fish("a", 3.0), keeper=With(None, food="algae")))["food"] == (
        "algae"
    )


def test_columns_become_rows():
    @dataclass(frozen=True)
    class Columns:
        names: tuple[str, ...]
        value: list[float | None]

    class RowSchema(AnswerSchema):
        name = Text(attribute="names")
        value = Number(allow_none=True)

    class Schema(AnswerSchema):
        rows = Rows(RowSchema)

    rows = Schema().dump({"rows": Columns(("a", "b"), [1.5, None])})["rows"]
    assert rows == [{"name": "a", "value": 1.5}, {"name": "b", "value": None}]
    assert Schema().dump({"rows": Columns((), [])}) == {"rows": []}
