"""Values of the program are checked by the schema that reads them from JSON."""

from dataclasses import dataclass

import pytest

from service.errors import InvalidInputError
from service.schemas.base import Items, Nested, Schema, ValueSchema
from service.schemas.checks import check
from service.schemas.fields import Number, Text
from service.schemas.quantities import Fraction, Measure
from service.schemas.ranges import Range


@dataclass(frozen=True)
class Part:
    """Invented."""

    share: float = 0.5


@dataclass(frozen=True)
class Whole:
    """Invented."""

    name: str = "a"
    depth_cm: float | None = None
    low_c: float = 20.0
    high_c: float = 25.0
    part: Part | None = None
    parts: tuple[Part, ...] = ()


class PartSchema(ValueSchema):
    """A part."""

    makes = Part
    fraction = Fraction(above=0, attribute="share")

    def contradictions(self, value):
        return {"fraction": ["is unlucky"]} if value.share == 0.13 else {}


class WholeSchema(ValueSchema):
    """The whole."""

    makes = Whole
    name = Text(shortest=1, longest=5)
    depth = Measure("cm", above=0, high=60, allow_none=True, attribute="depth_cm")
    range = Range("Cel", ends=("low_c", "high_c"), low=0, high=45)
    part = Nested(PartSchema, allow_none=True)
    parts = Items(PartSchema, longest=2)


@pytest.mark.parametrize(
    ("value", "pointer", "given"),
    [
        (Whole(name=""), "/name", ""),
        (Whole(depth_cm=61.0), "/depth", 61.0),
        (Whole(low_c=26.0), "/range/high", 25.0),
        (Whole(low_c=-1.0), "/range/low", -1.0),
        (Whole(part=Part(1.5)), "/part/fraction", 1.5),
        (Whole(part=Whole()), "/part", Whole()),
        (Whole(parts=(Part(), Part(0))), "/parts/1/fraction", 0),
        (Whole(parts="parts"), "/parts", "parts"),
    ],
)
def test_a_wrong_field_is_named_as_in_json(value, pointer, given):
    with pytest.raises(InvalidInputError) as caught:
        check(WholeSchema(), value)
    (fault,) = caught.value.faults
    assert (fault.pointer, fault.value) == (pointer, given)
    assert fault.allowed


def test_too_many_items_and_contradictions_are_found():
    for value, pointer in (
        (Whole(parts=(Part(),) * 3), "/parts"),
        (Whole(parts=(Part(), Part(0.13))), "/parts/1/fraction"),
    ):
        with pytest.raises(InvalidInputError) as caught:
            check(WholeSchema(), value)
        assert [fault.pointer for fault in caught.value.faults] == [pointer]


def test_all_that_json_gave_passes_the_check():
    body = {
        "name": "abc",
        "depth": {"value": 12, "unit": "in"},
        "range": {"low": 68, "high": 77, "unit": "degF"},
        "part": {"fraction": {"value": 100, "unit": "%"}},
        "parts": [{"fraction": {"value": 0.2, "unit": "1"}}],
    }
    value = WholeSchema().load(body)
    check(WholeSchema(), value)
    assert WholeSchema().load(WholeSchema().dump(value)) == value


def test_a_mapping_needs_its_required_members_only():
    class NeedsSchema(Schema):
        needed = Number(required=True)
        free = Number()

    check(NeedsSchema(), {"needed": 1})
    with pytest.raises(InvalidInputError, match="/data/needed is missing"):
        check(NeedsSchema(), {"free": 1}, under=("data",))
