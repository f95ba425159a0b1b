"""The JSON of a tank."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import timedelta
from types import MappingProxyType
from typing import Any, Final

import marshmallow as ma

from service.advice.engine.practice import THRESHOLDS
from service.errors import Refusal
from service.registry.checks import (
    COLDEST_C,
    ENERGIES,
    HIGHEST_PH,
    HOTTEST_C,
    LONGEST_CM,
    LOWEST_PH,
    MOST_CO2_MG_L,
    MOST_DLI,
    MOST_GH_MEQ_L,
    MOST_ITEMS,
    MOST_L,
    MOST_MEQ_L,
    WARMEST_C,
)
from service.registry.faults import NOTE_LENGTH
from service.registry.models import (
    Dimensions,
    DosePlan,
    PhotoperiodPlan,
    PlantDemand,
    Stock,
    Tank,
    WaterChangePlan,
)
from service.registry.volume import net_volume_l
from service.schemas.base import Items, Nested, Schema, ValueSchema
from service.schemas.fields import Choice, Facts, Field, Name, Number, Text, Whole, YesNo, finite
from service.schemas.quantities import Measure, Share, alkalinity, hardness
from service.schemas.ranges import Range
from service.schemas.times import Day, SpanOf, TimeOfDay, TimeZone
from service.units import QUANTITIES

_HOUR: Final = timedelta(hours=1)
_DAY: Final = timedelta(days=1)


class SensorChoice(Field):
    """Which sensor to believe: quantity -> sensor."""

    allowed = f"an object with a sensor's name each for some of {', '.join(QUANTITIES)}"
    json_schema: dict[str, Any] = {  # noqa: RUF012 - read only
        "type": "object",
        "properties": {
            name: {"type": "string", "minLength": 1, "maxLength": 64} for name in QUANTITIES
        },
        "additionalProperties": False,
    }

    def _serialize(self, value: Any, attr: Any, obj: Any, **kwargs: Any) -> dict[str, str]:
        return dict(value)

    def _deserialize(self, value: Any, attr: Any, data: Any, **kwargs: Any) -> dict[str, str]:
        if not isinstance(value, dict):
            raise self.refuse(value)
        for name, sensor in value.items():
            if name not in QUANTITIES:
                known = ", ".join(QUANTITIES)
                raise ma.ValidationError({name: [f"is not known; allowed: {known}"]})
            Text(shortest=1, longest=64).deserialize(sensor)
        return value


class Thresholds(Field):
    """Overrides of the thresholds of practice: name -> number."""

    allowed = "an object with a number each for some thresholds of docs/practice.md"
    json_schema: dict[str, Any] = {  # noqa: RUF012 - read only
        "type": "object",
        "properties": {
            one.name: {
                "type": "number",
                "minimum": one.low,
                "maximum": one.high,
                "description": f"{one.text} ({one.unit}; default {one.default:g}).",
            }
            for one in THRESHOLDS.values()
        },
        "additionalProperties": False,
    }

    def _serialize(self, value: Any, attr: Any, obj: Any, **kwargs: Any) -> dict[str, float]:
        return dict(value)

    def _deserialize(self, value: Any, attr: Any, data: Any, **kwargs: Any) -> dict[str, float]:
        if not isinstance(value, dict):
            raise self.refuse(value)
        found: dict[str, float] = {}
        for name, given in value.items():
            known = THRESHOLDS.get(name)
            if known is None:
                raise ma.ValidationError(
                    {name: [f"is not known; allowed: {', '.join(THRESHOLDS)}"]}
                )
            number = finite(given)
            if number is None or not known.low <= number <= known.high:
                allowed = f"a number from {known.low:g} to {known.high:g} {known.unit}"
                raise ma.ValidationError({name: [Refusal(given, allowed)]})
            found[name] = number
        return found


class DimensionsSchema(ValueSchema):
    """Inner dimensions and what displaces the water."""

    makes = Dimensions

    length = Measure("cm", above=0, high=LONGEST_CM, required=True, attribute="length_cm")
    width = Measure(
        "cm", "Front to back.", above=0, high=LONGEST_CM, required=True, attribute="width_cm"
    )
    height = Measure("cm", above=0, high=LONGEST_CM, required=True, attribute="height_cm")
    fill_height = Measure(
        "cm",
        "Water level above the inner bottom; null: to the rim.",
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
        "L", "Displaced by rock and wood.", low=0, high=MOST_L, attribute="hardscape_l"
    )


class StockSchema(ValueSchema):
    """Animals of one species; what is null comes from the table of species."""

    makes = Stock

    species = Text("Scientific name.", shortest=1, longest=100, required=True)
    count = Whole(low=0, high=100_000)
    added = Day("When they came in; null: long ago.", allow_none=True)
    temperature = Range(
        "Cel",
        "Tolerated.",
        ends=("temperature_low_c", "temperature_high_c"),
        low=COLDEST_C,
        high=WARMEST_C,
        open_ends=True,
        allow_none=True,
    )
    co2_max = Measure(
        "mg/L", "Tolerated.", above=0, high=MOST_CO2_MG_L, allow_none=True, attribute="co2_max_mg_l"
    )
    air_breather = YesNo("Takes air at the surface.", allow_none=True)


class PlantDemandSchema(ValueSchema):
    """What the plants want."""

    makes = PlantDemand

    co2 = Range(
        "mg/L",
        "Target while lit.",
        ends=("co2_low_mg_l", "co2_high_mg_l"),
        low=0,
        high=MOST_CO2_MG_L,
    )
    dli = Range(
        "mol/m2/d",
        "Daily light integral aimed at, at the sensor.",
        ends=("dli_low_mol_m2_d", "dli_high_mol_m2_d"),
        low=0,
        high=MOST_DLI,
    )


class PhotoperiodSchema(ValueSchema):
    """When lamp and gas should be on, in the tank's time zone."""

    makes = PhotoperiodPlan

    lights_on = TimeOfDay()
    length = SpanOf(_HOUR, "Length of the photoperiod.", longest=_DAY, zero=True, attribute="hours")
    gas_on = TimeOfDay("Null where the valve is not switched.", allow_none=True)
    gas_off = TimeOfDay("Null where the valve is not switched.", allow_none=True)


class WaterChangePlanSchema(ValueSchema):
    """The routine water change."""

    makes = WaterChangePlan

    every = SpanOf(_DAY, longest=3650 * _DAY, attribute="every_days")
    fraction = Share("Share of the net volume.", above=0)
    tap_kh = alkalinity(
        "Of the new water.", high=MOST_MEQ_L, allow_none=True, attribute="tap_kh_meq_l"
    )
    tap_temperature = Measure(
        "Cel",
        "Of the new water.",
        low=COLDEST_C,
        high=WARMEST_C,
        allow_none=True,
        attribute="tap_temperature_c",
    )
    tap_gh = hardness(
        "Of the new water.", high=MOST_GH_MEQ_L, allow_none=True, attribute="tap_gh_meq_l"
    )
    tap_ph = Number(
        "As it stands after an hour in the open.", low=LOWEST_PH, high=HIGHEST_PH, allow_none=True
    )
    hot_temperature = Measure(
        "Cel",
        "Of the hot tap, where hot and cold are mixed.",
        low=COLDEST_C,
        high=HOTTEST_C,
        allow_none=True,
        attribute="hot_temperature_c",
    )
    target_kh = alkalinity(
        "Of the new water, where tap water is let down with reverse-osmosis water.",
        high=MOST_MEQ_L,
        allow_none=True,
        attribute="target_kh_meq_l",
    )
    target_gh = hardness(
        "Of the new water, likewise.",
        high=MOST_GH_MEQ_L,
        allow_none=True,
        attribute="target_gh_meq_l",
    )


class DosePlanSchema(ValueSchema):
    """A fertiliser dose that follows the water change: a solution or a dry salt."""

    makes = DosePlan

    name = Text("What to call it on the task list.", shortest=1, required=True)
    solution_per_100_l = Measure(
        "mL",
        "Stock solution per 100 L of net volume; null for a dry dose.",
        above=0,
        high=10_000,
        allow_none=True,
        attribute="ml_per_100_l",
    )
    salt_per_100_l = Measure(
        "g",
        "Dry salt per 100 L of net volume; null for a solution.",
        above=0,
        high=10_000,
        allow_none=True,
        attribute="g_per_100_l",
    )


class VolumeSchema(Schema):
    """Water in the tank and how it is known."""

    net = Measure("L", allow_none=True)
    source = Choice(words=["measured", "computed", "unknown"])


class TankSchema(ValueSchema):
    """One body of water. What is left out takes its default."""

    makes = Tank
    defaults: Mapping[str, Any] = MappingProxyType({"id": ""})  # the address names it

    id = Name("Short name in topics and addresses; as in the address.")
    name = Text(shortest=1, required=True)
    time_zone = TimeZone("Days and plans are local to it.")
    dimensions = Nested(DimensionsSchema, allow_none=True)
    net_volume = Measure(
        "L",
        "As measured; null: computed from the dimensions.",
        above=0,
        high=MOST_L,
        allow_none=True,
        attribute="net_volume_l",
    )
    volume = Nested(VolumeSchema, "What counts as the net volume.", dump_only=True)
    altitude = Measure("m", low=-500, high=6000, attribute="altitude_m")
    kh = alkalinity(
        "Carbonate hardness as last known; a KH test in the log wins.",
        high=MOST_MEQ_L,
        allow_none=True,
        attribute="kh_meq_l",
    )
    kh_tested = Day(allow_none=True)
    gh = hardness("General hardness.", high=MOST_GH_MEQ_L, allow_none=True, attribute="gh_meq_l")
    energy = Choice("Light, gas and fertiliser together.", words=ENERGIES)
    heated = YesNo()
    co2_injected = YesNo()
    set_up = Day(allow_none=True)
    livestock = Items(StockSchema, longest=MOST_ITEMS)
    plants = Nested(PlantDemandSchema)
    photoperiod = Nested(PhotoperiodSchema)
    water_change = Nested(WaterChangePlanSchema)
    doses = Items(DosePlanSchema, longest=MOST_ITEMS)
    sensors = SensorChoice("Which sensor to believe where there are several.")
    equipment = Facts("Free facts, such as the size of the cylinder.")
    thresholds = Thresholds("Overrides of the thresholds of practice.")
    notes = Text(longest=NOTE_LENGTH, lines=True)

    @ma.pre_dump
    def _with_volume(self, tank: Tank, **_: Any) -> Any:
        found = None if tank is None else net_volume_l(tank)
        measured = tank.net_volume_l is not None
        source = "unknown" if found is None else "measured" if measured else "computed"
        return _Shown(tank, {"net": found, "source": source})


class TanksSchema(Schema):
    """All tanks, by id."""

    tanks = Items(TankSchema)
    next = Text(allow_none=True)


class _Shown:
    """A tank with what is only shown."""

    def __init__(self, tank: Tank, volume: dict[str, Any]) -> None:
        self._tank = tank
        self.volume = volume

    def __getattr__(self, name: str) -> Any:
        return getattr(self._tank, name)
