"""What schemas dump is what marshmallow itself dumps, whatever the value is made of."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import Any, NamedTuple

import marshmallow as ma
import pytest

from service.schemas.answers import With
from service.schemas.base import Items, Nested, Schema
from service.schemas.fields import Choice, Number, Text
from service.schemas.ranges import Range


class FinSchema(Schema):
    """A part with a member that may be absent."""

    rays = Number()
    colour = Text()


class FishSchema(Schema):
    """Invented members of every kind."""

    name = Text(data_key="Name")
    items = Number()
    secret = Text(load_only=True)
    food = Text(attribute="keeper.food")
    mood = Choice(words=("calm", "shy"), dump_default="calm")
    born = Text(dump_default=lambda: "here")
    fins = Items(FinSchema)
    tail = Nested(FinSchema, only=("rays",), allow_none=True)
    range = Range("Cel", ends=("low_c", "high_c"), allow_none=True)


@dataclass
class Fish:
    """Plain attributes, some of which are missing."""

    name: str = "a"
    items: float = 2.5
    secret: str = "x"
    keeper: Any = None
    fins: list[Any] = field(default_factory=lambda: [{"rays": 3}, Fin(4.0, "red")])
    tail: Any = None
    low_c: float | None = 20.0
    high_c: float | None = 26.0


class Fin(NamedTuple):
    """Has items by number, and attributes."""

    rays: float
    colour: str


class Keeper:
    """Computes its attribute."""

    @property
    def food(self) -> str:
        """Invented."""
        return "algae"


MEMBERS: dict[str, Any] = {"name": "b", "keeper": {"food": "moss"}, "mood": "shy", "fins": []}


@pytest.mark.parametrize(
    "value",
    [
        Fish(),
        Fish(keeper=Keeper(), tail=Fin(1.0, "blue")),
        Fish(keeper={"food": "moss"}, tail={"rays": 1, "colour": "blue"}, fins=[]),
        With(Fish(), keeper=Keeper(), mood=None, born="there"),
        With(None, name="c", fins=[Fin(1.0, "x")], low_c=None, high_c=None),
        MEMBERS,
        MappingProxyType(MEMBERS),
    ],
    ids=lambda value: type(value).__name__,
)
def test_dumps_as_marshmallow_does(value: Any) -> None:
    without = ("range",) if isinstance(value, Mapping) else ()  # it needs attributes
    schema = FishSchema(exclude=without)
    expected = ma.Schema.dump(schema, value)
    assert schema.dump(value) == expected
    assert list(schema.dump(value)) == list(expected), "in the same order"
    assert schema.dump([value, value], many=True) == [expected, expected]
    assert FishSchema(many=True, exclude=without).dump([value]) == [expected]
    assert FishSchema(only=("name", "mood")).dump(value) == {
        key: expected[key] for key in ("Name", "mood") if key in expected
    }


def test_members_computed_before_and_after_dumping_are_there() -> None:
    class ShiftedSchema(FinSchema):
        @ma.pre_dump
        def _before(self, value: Fin, **_: Any) -> Fin:
            return value._replace(rays=value.rays + 1)

        @ma.post_dump
        def _after(self, data: dict[str, Any], **_: Any) -> dict[str, Any]:
            return {**data, "more": 1}

    assert ShiftedSchema().dump(Fin(1.0, "x")) == {"rays": 2.0, "colour": "x", "more": 1}
