"""Waters and what is dissolved in them, as objects within questions and answers."""

from __future__ import annotations

from service.derive.calculations.mixing import Hardness
from service.derive.calculations.water_change import Dissolved, Water
from service.schemas.answers import AnswerSchema
from service.schemas.base import Items, ValueSchema
from service.schemas.fields import Text, Whole
from service.schemas.quantities import Fraction, Measure, Ph, carbonate_hardness, general_hardness
from service.schemas.ranges import Estimated, Range


class WaterSchema(ValueSchema):
    """A water."""

    makes = Water

    ph = Ph(required=True)
    kh = carbonate_hardness("", attribute="alkalinity_meq_l", required=True)
    temperature = Measure("Cel", attribute="temperature_c", low=0, high=50, required=True)
    gh = general_hardness("Of both waters or of neither.", attribute="gh_meq_l")


class HardnessPairSchema(ValueSchema):
    """KH and GH of a water."""

    makes = Hardness

    kh = carbonate_hardness("", attribute="kh_meq_l", required=True)
    gh = general_hardness("", attribute="gh_meq_l", required=True)


class SubstanceSchema(ValueSchema):
    """Something dissolved that mixes in proportion."""

    makes = Dissolved

    name = Text(shortest=1, required=True)
    tank = Measure(
        "mg/L", "In the tank now.", attribute="tank_mg_l", low=0, high=1e5, required=True
    )
    new = Measure("mg/L", "In the new water.", attribute="new_mg_l", low=0, high=1e5, required=True)
    target = Measure("mg/L", "Aimed at.", attribute="target_mg_l", low=0, high=1e5)
    rise = Measure(
        "mg/L",
        "From one change to the next; below 0: used up.",
        attribute="rise_mg_l",
        low=-1e5,
        high=1e5,
    )


class MixedWaterSchema(AnswerSchema):
    """The tank right after one change."""

    ph = Estimated("[pH]", allow_none=True)
    kh = carbonate_hardness("As the same test would show it.", attribute="alkalinity_meq_l")
    gh = general_hardness("", attribute="gh_meq_l", allow_none=True)
    temperature = Measure("Cel", attribute="temperature_c")
    co2 = Estimated("mg/L", attribute="co2_mg_l", allow_none=True)
    assumptions = Items(Text(longest=1000), "What was taken for granted.")


class ChangedSubstanceSchema(AnswerSchema):
    """One substance through the changes."""

    name = Text()
    after = Measure("mg/L", "After the changes.", attribute="after_mg_l")
    fraction = Fraction("To change each time to reach the target.", allow_none=True)
    changes = Whole(
        "Of the fraction given, to reach the target; null: never.",
        low=0,
        high=10**9,
        allow_none=True,
    )
    settles = Range(
        "mg/L",
        "Right after and right before each change, once it repeats itself.",
        attribute="settles_mg_l",
        allow_none=True,
    )
