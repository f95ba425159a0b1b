"""Fields of a tank: what it is, what lives in it, and its plans."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import fields
from types import MappingProxyType
from typing import Any, Final, get_args

import marshmallow as ma

from service.errors import Refusal
from service.registry.fields.kh_kit import KhKitSchema
from service.registry.fields.limits import (
    COLDEST_C,
    LONGEST_CM,
    MOST_ANIMALS,
    MOST_CO2_MG_L,
    MOST_GH_MEQ_L,
    MOST_ITEMS,
    MOST_KH_MEQ_L,
    MOST_L,
    MOST_ORGANIC_CARBON_MG_L,
    NAME_LENGTH,
    NOTE_LENGTH,
    TALLEST_PLANT_CM,
    WARMEST_C,
)
from service.registry.fields.named import Equipment, SensorChoice, Thresholds
from service.registry.fields.plans import (
    DosePlanSchema,
    GasPlanSchema,
    LightPlanSchema,
    PlantTargetsSchema,
    TankCylinderSchema,
    WaterChangePlanSchema,
)
from service.registry.models.tank import AtSurface, Dimensions, Plant, Position, Side, Stock, Tank
from service.registry.species.names import allowed_names, meant, plants_meant
from service.registry.species.table import Co2Demand, Light
from service.registry.volume import net_volume_l, volume_of
from service.schemas.base import Items, Nested, Schema, ValueSchema
from service.schemas.fields import Choice, Name, Number, Text, Whole, YesNo
from service.schemas.quantities import Measure, carbonate_hardness, general_hardness
from service.schemas.ranges import Range
from service.schemas.times import Day, TimeZone
from service.science.numeric.checks import OutOfRangeError

RESERVED_IDS: Final = ("new",)
"""Ids that no tank may have: pages have these addresses."""

ENERGIES: Final = ("high", "low")
OR_DEMAND: Final = "or another name with a light, CO2 or height of its own"
OR_RANGE: Final = "or another name with a temperature range of its own"


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


class VolumeSchema(Schema):
    """Water in the tank and how it is known."""

    net = Measure("L", allow_none=True)
    source = Choice(words=["measured", "computed", "unknown"])


class TankSchema(ValueSchema):
    """One body of water. What is left out takes its default."""

    makes = Tank
    defaults: Mapping[str, Any] = MappingProxyType({"id": ""})  # the address names it

    id = Name(
        "Short name in topics and addresses; as in the address.",
        label="Short name for topics and addresses",
    )
    name = Text("For people.", shortest=1, longest=NAME_LENGTH, required=True)
    time_zone = TimeZone("Days and plans are local to it.")
    dimensions = Nested(DimensionsSchema, label="Dimensions", allow_none=True)
    net_volume = Measure(
        "L",
        "As measured; null: computed from the dimensions.",
        above=0,
        high=MOST_L,
        allow_none=True,
        attribute="net_volume_l",
    )
    volume = Nested(VolumeSchema, "What counts as the net volume.", dump_only=True)
    altitude = Measure(
        "m",
        "Above the sea, for the solubility of gases.",
        low=-500,
        high=6000,
        attribute="altitude_m",
    )
    kh = carbonate_hardness(
        "Carbonate hardness as last known; a KH test in the log wins.",
        label="KH",
        high=MOST_KH_MEQ_L,
        allow_none=True,
        attribute="kh_meq_l",
    )
    kh_tested = Day("When KH was tested.", label="KH tested", allow_none=True)
    kh_kit = Nested(KhKitSchema, label="How KH is tested")
    organic_carbon = Measure(
        "mg/L",
        "Dissolved, of humic kind, as of wood and leaves (brown water: 5 to 20): a KH test counts "
        "humic acids, CO2 is computed without them. Null: none.",
        label="Dissolved organic carbon",
        low=0,
        high=MOST_ORGANIC_CARBON_MG_L,
        allow_none=True,
        attribute="organic_carbon_mg_l",
    )
    gh = general_hardness(
        "General hardness.",
        label="GH",
        high=MOST_GH_MEQ_L,
        allow_none=True,
        attribute="gh_meq_l",
    )
    energy = Choice("Light, CO2 and fertiliser together.", words=ENERGIES)
    heated = YesNo("Whether it has a heater.", label="Heater")
    co2_injected = YesNo("Whether CO2 is injected.", label="CO2 injected")
    set_up = Day("When the tank was set up.", label="Set up on", allow_none=True)
    animals = Items(StockSchema, label="species", longest=MOST_ITEMS)
    targets = Nested(PlantTargetsSchema, label="Aimed at")
    plants = Items(TankPlantSchema, label="species", longest=MOST_ITEMS)
    light = Nested(LightPlanSchema)
    gas = Nested(GasPlanSchema, label="CO2")
    water_change = Nested(WaterChangePlanSchema)
    doses = Items(DosePlanSchema, label="fertiliser", longest=MOST_ITEMS)
    sensors = SensorChoice("Which sensor to believe where there are several.")
    cylinder = Nested(
        TankCylinderSchema,
        "As last known; a cylinder that was logged later wins.",
        label="CO2 cylinder",
        allow_none=True,
    )
    equipment = Equipment("Free facts, for people.", usual=("lamp", "filter"))
    thresholds = Thresholds("Overrides of the thresholds of practice.")
    notes = Text(longest=NOTE_LENGTH, lines=True)
    salted = YesNo(
        "Whether salt is in the water; null: not known. Salt in the log counts as well.",
        label="Salt in the water",
        allow_none=True,
    )
    medicated = YesNo(
        "Whether medication is in the water; null: not known. Medication in the log counts "
        "as well.",
        label="Medication in the water",
        allow_none=True,
    )
    contact = Text(
        "How the tank keeper can be reached in an emergency; on handover sheets, sharing links and "
        "urgent recommendations.",
        label="Contact",
        longest=NAME_LENGTH,
    )

    def contradictions(self, value: Tank) -> dict[str, Any]:
        """Doses are told apart by their names; no tank has the address of another page."""
        if value.id in RESERVED_IDS:
            return {"id": [Refusal(value.id, f"{Name.allowed}, but not {', '.join(RESERVED_IDS)}")]}
        names = [dose.name for dose in value.doses]
        twice = {
            number: {"name": [Refusal(name, "a name that no other dose of the tank has")]}
            for number, name in enumerate(names)
            if names.index(name) < number
        }
        return {"doses": twice} if twice else {}

    @ma.pre_dump
    def _with_volume(self, tank: Tank, **_: Any) -> dict[str, Any]:
        net_l = net_volume_l(tank)
        measured = tank.net_volume_l is not None
        source = "unknown" if net_l is None else "measured" if measured else "computed"
        members = {field.name: getattr(tank, field.name) for field in fields(tank)}
        return members | {"volume": {"net": net_l, "source": source}}
