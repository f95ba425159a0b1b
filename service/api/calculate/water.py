"""Water changes, blends, hot and cold water, and old water for plants."""

from __future__ import annotations

from typing import Final

from service.api.calculate.formula import Formula, given, sentences
from service.api.calculate.measured import MEASURED
from service.api.calculate.water_schemas import (
    ChangedSubstanceSchema,
    HardnessPairSchema,
    MixedWaterSchema,
    SubstanceSchema,
    WaterSchema,
)
from service.derive.calculations.mixing import blend, hot_and_cold
from service.derive.calculations.water_change import water_change
from service.schemas.base import Items, Nested
from service.schemas.fields import Choice, Whole, YesNo
from service.schemas.quantities import Fraction, Measure, carbonate_hardness, general_hardness
from service.schemas.ranges import Range
from service.schemas.together import both_or_neither
from service.science.water.reuse import reuse_for_plants

WATER_CHANGE: Final = Formula(
    name="water-change",
    title="What a water change does to the water",
    about="At once to KH, GH, pH, CO2 and temperature; over one or several changes to anything "
    "dissolved;\nand which fraction or number of changes brings a substance to a target.",
    function=water_change,
    asks={
        "fraction": Fraction("Changed each time.", above=0, required=True),
        "changes": Whole("Of that fraction each; default 1.", low=1, high=1000),
        "volume": Measure("L", "Net water of the tank.", above=0, high=1e6),
        "tank": Nested(WaterSchema, "The tank before."),
        "new": Nested(WaterSchema, "The new water as it goes in."),
        "substances": Items(SubstanceSchema, longest=50),
        **MEASURED,
    },
    answers={
        "water_changed": Measure("L", "Each time.", allow_none=True),
        "water": Nested(MixedWaterSchema, "After one change.", allow_none=True),
        "new_temperature": Range(
            "Cel",
            "Of the new water, so that the tank steps by no more than is usual.",
            attribute="new_temperature_c",
            allow_none=True,
        ),
        "substances": Items(ChangedSubstanceSchema),
    },
    together=both_or_neither("tank", "new"),
    example=given(
        fraction="50 %",
        volume="160 L",
        tank=given(ph=6.6, kh="4 dKH", temperature="25 Cel"),
        new=given(ph=7.6, kh="6 dKH", temperature="22 Cel"),
        substances=[given(name="nitrate", tank="30 mg/L", new="5 mg/L", target="15 mg/L")],
    ),
)

BLEND: Final = Formula(
    name="blend",
    title="How to dilute tap water with softer water towards a KH and GH",
    about="The blend with the most tap water in which neither hardness exceeds its target.",
    function=blend,
    asks={
        "tap": Nested(HardnessPairSchema, required=True),
        "target": Nested(HardnessPairSchema, required=True),
        "soft": Nested(HardnessPairSchema, "Rain or reverse-osmosis water; default: none at all."),
        "volume": Measure("L", "Of the blend.", above=0, high=1e6),
    },
    answers={
        "tap_fraction": Fraction("Of tap water.", attribute="blend.tap_fraction"),
        "tap": Measure("L", allow_none=True),
        "soft": Measure("L", allow_none=True),
        "kh": carbonate_hardness("Of the blend.", attribute="blend.kh_meq_l"),
        "gh": general_hardness("Of the blend.", attribute="blend.gh_meq_l"),
        "kh_short": carbonate_hardness("To be added by salts.", attribute="blend.kh_short_meq_l"),
        "gh_short": general_hardness("To be added by salts.", attribute="blend.gh_short_meq_l"),
        "kh_over": carbonate_hardness(
            "Too much in the soft water itself.", attribute="blend.kh_over_meq_l"
        ),
        "gh_over": general_hardness(
            "Too much in the soft water itself.", attribute="blend.gh_over_meq_l"
        ),
    },
    example=given(tap=given(kh="12 dKH", gh="16 dGH"), target=given(kh="4 dKH", gh="6 dGH")),
)

MIX: Final = Formula(
    name="mix",
    title="How much hot and cold water makes water of a temperature",
    function=hot_and_cold,
    asks={
        "volume": Measure("L", low=0, high=1e6, required=True),
        "target": Measure("Cel", low=0, high=100, required=True),
        "cold": Measure("Cel", low=0, high=100, required=True),
        "hot": Measure("Cel", low=0, high=100, required=True),
    },
    answers={"hot": Measure("L"), "cold": Measure("L"), "cautions": sentences()},
    example=given(volume="80 L", target="24 Cel", cold="12 Cel", hot="50 Cel"),
)

REUSE: Final = Formula(
    name="reuse",
    title="Whether old tank water is fit for plants in soil, and how much of it",
    function=reuse_for_plants,
    asks={
        "volume": Measure("L", attribute="litres", low=0, high=1e6, required=True),
        "salt_added": YesNo(
            "Common salt was put in since it was last wholly renewed.", required=True
        ),
        "medicated": YesNo("Medication was put in since then.", required=True),
        "conductivity": Measure("uS/cm", "At 25 Cel.", low=0, high=1e5),
        "kh": carbonate_hardness("Carbonate hardness.", attribute="alkalinity_meq_l"),
        "no3": Measure("mg/L", "As NO3.", attribute="no3_mg_l", low=0, high=1e5),
    },
    answers={
        "verdict": Choice(words=("fit", "dilute", "unfit")),
        "volume": Measure("L", "Fit to be used.", attribute="litres"),
        "rainwater": Measure("L", "Rain or reverse-osmosis water to add."),
        "reasons": sentences(),
    },
    example=given(volume="80 L", salt_added=False, medicated=False, conductivity="420 uS/cm"),
)
