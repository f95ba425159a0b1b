"""Fields of what is planned for a tank: targets, light, gas, water change, doses."""

from __future__ import annotations

from datetime import timedelta
from typing import Any, Final

from service.errors import LEFT_OUT, Refusal
from service.registry.fields.dose_content import LabelAmounts, SaltSchema
from service.registry.fields.limits import (
    COLDEST_C,
    HIGHEST_PH,
    HOTTEST_C,
    LOWEST_PH,
    MOST_CO2_MG_L,
    MOST_CYLINDER_G,
    MOST_DLI_MOL_M2_D,
    MOST_DOSE,
    MOST_GH_MEQ_L,
    MOST_KH_MEQ_L,
    MOST_NUTRIENT_MG_L,
    MOST_SALTS,
    NAME_LENGTH,
    WARMEST_C,
)
from service.registry.models.plans import (
    Cylinder,
    DosePlan,
    GasPlan,
    LightPlan,
    PlantTargets,
    WaterChangePlan,
)
from service.schemas.base import Items, ValueSchema
from service.schemas.fields import Number, Text
from service.schemas.quantities import Fraction, Measure, carbonate_hardness, general_hardness
from service.schemas.ranges import Range
from service.schemas.times import Day, SpanOf, TimeOfDay

_HOUR: Final = timedelta(hours=1)
_DAY: Final = timedelta(days=1)


class PlantTargetsSchema(ValueSchema):
    """What is aimed at for the plants."""

    makes = PlantTargets

    co2 = Range(
        "mg/L",
        "Target while lit, mg/L dissolved; not by the rule of thumb.",
        label="CO2",
        ends=("co2_low_mg_l", "co2_high_mg_l"),
        low=0,
        high=MOST_CO2_MG_L,
    )
    dli = Range(
        "mol/m2/d",
        "Daily light integral aimed at, at the sensor.",
        label="Daily light integral",
        ends=("dli_low_mol_m2_d", "dli_high_mol_m2_d"),
        low=0,
        high=MOST_DLI_MOL_M2_D,
    )


class LightPlanSchema(ValueSchema):
    """When the lamp should be on, in the tank's time zone."""

    makes = LightPlan

    start = TimeOfDay(label="Lights on")
    photoperiod = SpanOf(
        _HOUR,
        "How long the lamp is on.",
        label="Photoperiod",
        longest=_DAY,
        zero=True,
        attribute="photoperiod_h",
    )


class GasPlanSchema(ValueSchema):
    """When the CO2 should flow, in the tank's time zone, and how it is closed."""

    makes = GasPlan

    start = TimeOfDay("Null where the valve is not switched.", label="CO2 on", allow_none=True)
    end = TimeOfDay("Null where the valve is not switched.", label="CO2 off", allow_none=True)
    close = Text(
        "How anyone closes the CO2 of this tank in an emergency, as in `pull the grey plug behind "
        "the cylinder`; empty: plug of the solenoid valve or valve of the cylinder.",
        label="How to close the CO2",
        longest=NAME_LENGTH,
    )

    def contradictions(self, value: GasPlan) -> dict[str, Any]:
        """The gas goes on and off, at two times, or is not switched at all."""
        if (value.start is None) != (value.end is None):
            missing = "end" if value.end is None else "start"
            return {missing: [Refusal(LEFT_OUT, "a time of day, where the other one is given")]}
        if value.start is not None and value.start == value.end:
            return {"end": [Refusal(str(value.end), "another time of day than start")]}
        return {}


class TankCylinderSchema(ValueSchema):
    """The CO2 cylinder in use."""

    makes = Cylinder

    content = Measure(
        "g",
        "When full, as stamped on it: 500 g, 2 kg.",
        label="CO2 in it when full",
        above=0,
        high=MOST_CYLINDER_G,
        required=True,
        entry_units=("g", "kg"),
        attribute="content_g",
    )
    put_on = Day("When it was put on, full.", label="Put on", required=True)


def _tap(nutrient: str, label: str) -> Measure:
    """Field of a nutrient in the tap water."""
    return Measure(
        "mg/L",
        "As the water supplier states it; null: not known.",
        label=label,
        low=0,
        high=MOST_NUTRIENT_MG_L,
        allow_none=True,
        attribute=f"tap_{nutrient}",
    )


class WaterChangePlanSchema(ValueSchema):
    """The routine water change."""

    makes = WaterChangePlan

    every = SpanOf(_DAY, label="Every", longest=3650 * _DAY, attribute="every_days")
    fraction = Fraction("Of the net volume.", label="Share changed", above=0)
    tap_kh = carbonate_hardness(
        "Of the new water.",
        label="KH of the tap water",
        high=MOST_KH_MEQ_L,
        allow_none=True,
        attribute="tap_kh_meq_l",
    )
    tap_temperature = Measure(
        "Cel",
        "Of the new water.",
        label="Temperature of the tap water",
        low=COLDEST_C,
        high=WARMEST_C,
        allow_none=True,
        attribute="tap_temperature_c",
    )
    tap_gh = general_hardness(
        "Of the new water.",
        label="GH of the tap water",
        high=MOST_GH_MEQ_L,
        allow_none=True,
        attribute="tap_gh_meq_l",
    )
    tap_ph = Number(
        "After an hour in the open.",
        label="pH of the tap water",
        low=LOWEST_PH,
        high=HIGHEST_PH,
        allow_none=True,
    )
    hot_temperature = Measure(
        "Cel",
        "Of the hot tap, where hot and cold are mixed.",
        label="Temperature of the hot tap",
        low=COLDEST_C,
        high=HOTTEST_C,
        allow_none=True,
        attribute="hot_temperature_c",
    )
    target_kh = carbonate_hardness(
        "Of the new water, where tap water is mixed with reverse-osmosis water.",
        label="KH aimed at",
        high=MOST_KH_MEQ_L,
        allow_none=True,
        attribute="target_kh_meq_l",
    )
    target_gh = general_hardness(
        "Of the new water, likewise.",
        label="GH aimed at",
        high=MOST_GH_MEQ_L,
        allow_none=True,
        attribute="target_gh_meq_l",
    )
    tap_no3 = _tap("no3_mg_l", "Nitrate of the tap water")
    tap_po4 = _tap("po4_mg_l", "Phosphate of the tap water")
    tap_k = _tap("k_mg_l", "Potassium of the tap water")
    tap_fe = _tap("fe_mg_l", "Iron of the tap water")


class DosePlanSchema(ValueSchema):
    """A fertiliser dose that follows the water change: a solution or a dry salt."""

    makes = DosePlan

    name = Text(
        "What to call it on the task list.",
        label="Fertiliser",
        shortest=1,
        longest=NAME_LENGTH,
        required=True,
    )
    volume_per_100_l = Measure(
        "mL",
        "Stock solution per 100 L of net volume; null for a dry dose.",
        label="Stock solution per 100 L",
        above=0,
        high=MOST_DOSE,
        allow_none=True,
        attribute="ml_per_100_l",
    )
    mass_per_100_l = Measure(
        "g",
        "Dry salt per 100 L of net volume; null for a solution.",
        label="Dry salt per 100 L",
        above=0,
        high=MOST_DOSE,
        allow_none=True,
        attribute="g_per_100_l",
    )
    salts = Items(
        SaltSchema,
        "What the solution or the dry mix is made of; this or `label`, for the nutrients.",
        label="salt",
        longest=MOST_SALTS,
    )
    bottle = Measure(
        "mL",
        "Volume that the salts of a solution were filled up to.",
        label="Bottle",
        above=0,
        high=MOST_DOSE,
        allow_none=True,
        attribute="bottle_ml",
    )
    label = LabelAmounts(
        "mg of each ion in a mL of the solution, or in a g of the dry dose, from its label.",
        label="From its label",
        attribute="label_mg",
    )

    def contradictions(self, value: DosePlan) -> dict[str, Any]:
        """A solution or a dry salt, and what is in it said once."""
        if (value.ml_per_100_l is None) == (value.g_per_100_l is None):
            allowed = "either this one or mass_per_100_l, not both"
            given = LEFT_OUT if value.ml_per_100_l is None else value.ml_per_100_l
            return {"volume_per_100_l": [Refusal(given, allowed)]}
        if value.salts and value.label_mg:
            return {"label": [Refusal(dict(value.label_mg), "this or salts, not both")]}
        dissolved = bool(value.salts) and value.ml_per_100_l is not None
        if dissolved and value.bottle_ml is None:
            return {"bottle": [Refusal(LEFT_OUT, "the volume that the salts were filled up to")]}
        if not dissolved and value.bottle_ml is not None:
            return {"bottle": [Refusal(value.bottle_ml, "null, but for a solution of salts")]}
        return {}
