"""Fields of a tank's dimensions and of its volume."""

from __future__ import annotations

from typing import Any

from service.errors import Refusal
from service.registry.fields.limits import (
    LONGEST_CM,
    MOST_L,
)
from service.registry.models.tank import Dimensions
from service.registry.volume import volume_of
from service.schemas.base import Schema, ValueSchema
from service.schemas.fields import Choice, Number
from service.schemas.quantities import Measure
from service.science.numeric.checks import OutOfRangeError


class DimensionsSchema(ValueSchema):
    """Inner dimensions and what displaces the water."""

    makes = Dimensions

    length = Measure(
        "cm", "Left to right.", above=0, high=LONGEST_CM, required=True, attribute="length_cm"
    )
    width = Measure(
        "cm", "Front to back.", above=0, high=LONGEST_CM, required=True, attribute="width_cm"
    )
    height = Measure(
        "cm", "Bottom to rim.", above=0, high=LONGEST_CM, required=True, attribute="height_cm"
    )
    fill_height = Measure(
        "cm",
        "Water level above the inner bottom; null: to the rim.",
        label="Water level",
        above=0,
        high=LONGEST_CM,
        allow_none=True,
        attribute="fill_height_cm",
    )
    substrate_depth = Measure(
        "cm",
        "Mean depth of soil or gravel.",
        low=0,
        high=LONGEST_CM,
        attribute="substrate_depth_cm",
    )
    substrate_porosity = Number("Share of the substrate that is water.", low=0, high=1)
    hardscape = Measure(
        "L",
        "Displaced by rock and wood.",
        label="Rock and wood",
        low=0,
        high=MOST_L,
        attribute="hardscape_l",
    )

    def contradictions(self, value: Dimensions) -> dict[str, Any]:
        """What displaces water leaves some."""
        try:
            volume_of(value)
        except OutOfRangeError as error:
            return {self.name_of(error.name): [Refusal(error.value, error.allowed)]}
        return {}


class VolumeSchema(Schema):
    """Water in the tank and how it is known."""

    net = Measure("L", allow_none=True)
    source = Choice(words=["measured", "computed", "unknown"])
