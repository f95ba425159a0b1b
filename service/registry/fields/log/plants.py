"""Fields of the log for work on plants and soil."""

from __future__ import annotations

from service.registry.fields.limits import NAME_LENGTH, TALLEST_PLANT_CM
from service.registry.fields.log.entry import LogData
from service.schemas.fields import Text
from service.schemas.quantities import Fraction, Measure


def plant_of_tank(doc: str) -> Text:
    """Field of a species of the tank's plants."""
    return Text(
        f"Species, one of the tank's plants. {doc}",
        label="Which of the tank's plants",
        shortest=1,
        longest=NAME_LENGTH,
    )


class TouchedDataSchema(LogData):
    """How much of the plants or of the soil was touched."""

    fraction = Fraction(
        "Of the plants or of the soil.", label="Share of the plants or soil", above=0
    )
    part = Text(
        "Which plants or which corner.",
        label="Which plants or corner",
        shortest=1,
        longest=NAME_LENGTH,
    )
    plant = plant_of_tank("With `height`, its growth is followed from there.")
    height = Measure(
        "cm",
        "Height that was left.",
        label="Height left",
        low=0,
        high=TALLEST_PLANT_CM,
        attribute="height_cm",
    )


class TrimDataSchema(TouchedDataSchema):
    """Plants that were cut back."""

    label = "Trim"


class ReplantDataSchema(TouchedDataSchema):
    """Plants that were put in, or soil that was stirred."""

    label = "Replant"
