"""Fields of a tank's animals and plants."""

from __future__ import annotations

from typing import Any, Final, get_args

from service.errors import Refusal
from service.registry.fields.limits import (
    COLDEST_C,
    MOST_ANIMALS,
    MOST_CO2_MG_L,
    NAME_LENGTH,
    TALLEST_PLANT_CM,
    WARMEST_C,
)
from service.registry.models.tank import AtSurface, Plant, Position, Side, Stock
from service.registry.species.names import allowed_names, meant, plants_meant
from service.registry.species.table import Co2Demand, Light
from service.schemas.base import ValueSchema
from service.schemas.fields import Choice, Text, Whole, YesNo
from service.schemas.quantities import Measure
from service.schemas.ranges import Range
from service.schemas.times import Day

OR_DEMAND: Final = "or another name with a light, CO2 or height of its own"
OR_RANGE: Final = "or another name with a temperature range of its own"


class StockSchema(ValueSchema):
    """Animals of one species; what is null comes from the table of species."""

    makes = Stock

    species = Text("Scientific name.", shortest=1, longest=NAME_LENGTH, required=True)
    count = Whole("0 keeps the line for later.", label="How many", low=0, high=MOST_ANIMALS)
    added = Day("When they came in; null: long ago.", allow_none=True)
    temperature = Range(
        "Cel",
        "Tolerated: outside it there are warnings.",
        label="Tolerated temperature",
        ends=("temperature_low_c", "temperature_high_c"),
        low=COLDEST_C,
        high=WARMEST_C,
        open_ends=True,
        allow_none=True,
    )
    comfortable = Range(
        "Cel",
        "Comfortable: between it and what is tolerated there are remarks.",
        label="Comfortable temperature",
        ends=("comfortable_low_c", "comfortable_high_c"),
        low=COLDEST_C,
        high=WARMEST_C,
        open_ends=True,
        allow_none=True,
    )
    co2_max = Measure(
        "mg/L",
        "Tolerated, really dissolved.",
        label="Most CO2",
        above=0,
        high=MOST_CO2_MG_L,
        allow_none=True,
        attribute="co2_max_mg_l",
    )
    co2_comfortable = Measure(
        "mg/L",
        "Comfortable up to this, really dissolved.",
        label="Comfortable CO2",
        above=0,
        high=MOST_CO2_MG_L,
        allow_none=True,
        attribute="co2_comfortable_mg_l",
    )
    air_breather = YesNo("Takes air at the surface, as labyrinth fish do.", allow_none=True)

    def contradictions(self, value: Stock) -> dict[str, Any]:
        """A name that may be a slip is not taken; the comfortable range lies in the tolerated."""
        found: dict[str, Any] = {}
        brings_range = value.temperature_low_c is not None or value.temperature_high_c is not None
        if not brings_range and (near := meant(value.species)):
            found["species"] = [Refusal(value.species, allowed_names(near, OR_RANGE))]
        low, high = value.temperature_low_c, value.temperature_high_c
        inner = (value.comfortable_low_c, value.comfortable_high_c)
        wrong: dict[str, Any] = {}
        for end, at in zip(("low", "high"), inner, strict=True):
            if at is None:
                continue
            if (low is not None and at < low) or (high is not None and at > high):
                within = (
                    f"{'' if low is None else f'{low:g}'} to {'' if high is None else f'{high:g}'}"
                )
                wrong[end] = [Refusal(at, f"within what is tolerated, {within} Cel")]
        if wrong:
            found["comfortable"] = wrong
        most, calm = value.co2_max_mg_l, value.co2_comfortable_mg_l
        if most is not None and calm is not None and calm > most:
            found["co2_comfortable"] = [Refusal(calm, f"up to what is tolerated, {most:g} mg/L")]
        return found


class TankPlantSchema(ValueSchema):
    """Plants of one species; what is null comes from the table of species."""

    makes = Plant

    species = Text("Scientific name.", shortest=1, longest=NAME_LENGTH, required=True)
    light = Choice("Demand.", label="Light", words=get_args(Light), allow_none=True)
    co2 = Choice("Injected CO2.", label="CO2", words=get_args(Co2Demand), allow_none=True)
    height = Range(
        "cm",
        "Of a well grown plant under water.",
        ends=("height_low_cm", "height_high_cm"),
        low=0,
        high=TALLEST_PLANT_CM,
        open_ends=True,
        allow_none=True,
    )
    position = Choice(
        "Where it stands in this tank.",
        label="Stands",
        words=get_args(Position),
        none_words="not said",
        allow_none=True,
    )
    side = Choice(
        "Null: all of it.",
        label="Side",
        words=get_args(Side),
        none_words="all of it",
        allow_none=True,
    )
    wished_height = Measure(
        "cm",
        "No taller than this.",
        label="Wished height",
        above=0,
        high=TALLEST_PLANT_CM,
        allow_none=True,
        attribute="wished_height_cm",
    )
    at_surface = Choice(
        "What to do when its leaves are at the surface; advice follows the choice.",
        label="At the surface",
        words=get_args(AtSurface),
        none_words="not chosen yet",
        allow_none=True,
    )

    def contradictions(self, value: Plant) -> dict[str, Any]:
        """A name that may be a slip is not taken, unless it comes with a demand of its own."""
        if value.has_own_demand or not (near := plants_meant(value.species)):
            return {}
        return {"species": [Refusal(value.species, allowed_names(near, OR_DEMAND))]}
