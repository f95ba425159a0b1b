"""The JSON of a tank: its fields, with the thresholds there are."""

from __future__ import annotations

from service.advice.engine.practice import THRESHOLDS
from service.registry.fields import tank as table
from service.registry.fields.named import Thresholds
from service.schemas.base import Items, Schema
from service.schemas.fields import Text


class TankSchema(table.TankSchema):
    """One body of water. What is left out takes its default."""

    thresholds = Thresholds("Overrides of the thresholds of practice.", known=THRESHOLDS)


class TanksSchema(Schema):
    """All tanks, by id."""

    tanks = Items(TankSchema)
    next = Text(allow_none=True)
