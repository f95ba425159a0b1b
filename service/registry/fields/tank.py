"""Fields of a tank: what it is, what lives in it, and its plans."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import fields
from types import MappingProxyType
from typing import Any, Final

import marshmallow as ma

from service.errors import Refusal
from service.registry.fields.dimensions import DimensionsSchema, VolumeSchema
from service.registry.fields.inhabitants import StockSchema, TankPlantSchema
from service.registry.fields.kh_kit import KhKitSchema
from service.registry.fields.limits import (
    MOST_GH_MEQ_L,
    MOST_ITEMS,
    MOST_KH_MEQ_L,
    MOST_L,
    MOST_ORGANIC_CARBON_MG_L,
    NAME_LENGTH,
    NOTE_LENGTH,
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
from service.registry.models.tank import Tank
from service.registry.volume import net_volume_l
from service.schemas.base import Items, Nested, ValueSchema
from service.schemas.fields import Choice, Name, Text, YesNo
from service.schemas.quantities import Measure, carbonate_hardness, general_hardness
from service.schemas.times import Day, TimeZone

RESERVED_IDS: Final = ("new",)
"""Ids that no tank may have: pages have these addresses."""

ENERGIES: Final = ("high", "low")


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
