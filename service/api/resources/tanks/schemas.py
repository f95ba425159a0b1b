"""The JSON of a tank: its fields, with the thresholds there are."""

from __future__ import annotations

from typing import Final

from service.advice.engine.practice import THRESHOLDS
from service.registry.fields import tank as table
from service.registry.fields.named import Thresholds
from service.schemas.base import Items, Schema
from service.schemas.fields import Name, Text, Whole

MOST_TANKS: Final = 1000
"""Tanks of one page. Our choice."""


class TankSchema(table.TankSchema):
    """One body of water. What is left out takes its default."""

    thresholds = Thresholds("Overrides of the thresholds of practice.", known=THRESHOLDS)


class TanksSchema(Schema):
    """Tanks, by id."""

    tanks = Items(TankSchema)
    next = Text("The address of the tanks that follow; null on the last page.", allow_none=True)


class TankPageSchema(Schema):
    """Which tanks."""

    after = Name("Only tanks whose id comes after this one, whether there is such a tank or not.")
    limit = Whole(
        f"At most so many; `next` leads to the rest. Default {MOST_TANKS}.",
        low=1,
        high=MOST_TANKS,
        text=True,
        load_default=MOST_TANKS,
    )
