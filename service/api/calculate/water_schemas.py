"""What the calculations on water changes read and answer."""

from __future__ import annotations

from service.schemas.base import Items, Nested, Schema
from service.schemas.fields import Choice, Text, Whole, YesNo
from service.schemas.quantities import Measure, Ph, Share, alkalinity, hardness
from service.schemas.ranges import Range


class WaterSchema(Schema):
    """A water."""

    ph = Ph(required=True)
    kh = alkalinity("", required=True)
    temperature = Measure("Cel", low=0, high=50, required=True)
    gh = hardness("Of both waters or of neither.")


class SubstanceSchema(Schema):
    """Something dissolved that mixes in proportion."""

    name = Text(shortest=1, required=True)
    tank = Measure("mg/L", "In the tank now.", low=0, high=1e5, required=True)
    new = Measure("mg/L", "In the new water.", low=0, high=1e5, required=True)
    target = Measure("mg/L", "Aimed at.", low=0, high=1e5)
    rise = Measure("mg/L", "From one change to the next; below 0: used up.", low=-1e5, high=1e5)


class ChangeQuestionSchema(Schema):
    """A water change."""

    fraction = Share("Changed each time.", above=0, required=True)
    changes = Whole("Of that fraction each; default 1.", low=1, high=1000)
    volume = Measure("L", "Net water of the tank.", above=0, high=1e6)
    tank = Nested(WaterSchema, "The tank before.")
    new = Nested(WaterSchema, "The new water as it goes in.")
    substances = Items(SubstanceSchema, longest=50)


class MixedWaterSchema(Schema):
    """The tank right after one change."""

    ph = Ph(allow_none=True, required=True)
    kh = alkalinity("", required=True)
    gh = hardness("", allow_none=True, required=True)
    temperature = Measure("Cel", required=True)
    co2 = Measure("mg/L", allow_none=True, required=True)


class ChangedSubstanceSchema(Schema):
    """One substance through the changes."""

    name = Text(required=True)
    after = Measure("mg/L", "After the changes.", required=True)
    fraction = Share("To change each time to reach the target.", allow_none=True, required=True)
    changes = Whole(
        "Of the fraction given, to reach the target; null: never.",
        low=0,
        high=10**9,
        allow_none=True,
        required=True,
    )
    settles = Range(
        "mg/L",
        "Right after and right before each change, once it repeats itself.",
        allow_none=True,
        required=True,
    )


class ChangeAnswerSchema(Schema):
    """What the water change does."""

    water_changed = Measure("L", "Each time.", allow_none=True, required=True)
    water = Nested(MixedWaterSchema, "After one change.", allow_none=True, required=True)
    new_temperature = Range(
        "Cel",
        "Of the new water, so that the tank steps by no more than is usual.",
        allow_none=True,
        required=True,
    )
    substances = Items(ChangedSubstanceSchema, required=True)


class HardnessPairSchema(Schema):
    """KH and GH of a water."""

    kh = alkalinity("", required=True)
    gh = hardness("", required=True)


class BlendQuestionSchema(Schema):
    """Tap water and what is aimed at."""

    tap = Nested(HardnessPairSchema, required=True)
    target = Nested(HardnessPairSchema, required=True)
    soft = Nested(HardnessPairSchema, "Rain or reverse-osmosis water; default: none at all.")
    volume = Measure("L", "Of the blend.", above=0, high=1e6)


class BlendAnswerSchema(Schema):
    """The blend with the most tap water in which neither hardness exceeds its target."""

    tap_share = Share("Of tap water.", required=True)
    tap = Measure("L", allow_none=True, required=True)
    soft = Measure("L", allow_none=True, required=True)
    kh = alkalinity("Of the blend.", required=True)
    gh = hardness("Of the blend.", required=True)
    kh_short = alkalinity("To be added by salts.", required=True)
    gh_short = hardness("To be added by salts.", required=True)
    kh_over = alkalinity("Too much in the soft water itself.", required=True)
    gh_over = hardness("Too much in the soft water itself.", required=True)


class MixQuestionSchema(Schema):
    """Hot and cold water, and what is wanted of them."""

    volume = Measure("L", low=0, high=1e6, required=True)
    target = Measure("Cel", low=0, high=100, required=True)
    cold = Measure("Cel", low=0, high=100, required=True)
    hot = Measure("Cel", low=0, high=100, required=True)


class MixAnswerSchema(Schema):
    """How much of each."""

    hot = Measure("L", required=True)
    cold = Measure("L", required=True)
    cautions = Items(Text(longest=1000), required=True)


class ReuseQuestionSchema(Schema):
    """Water taken out of a tank."""

    volume = Measure("L", low=0, high=1e6, required=True)
    salt_added = YesNo("Common salt was put in since it was last wholly renewed.", required=True)
    medicated = YesNo("A remedy was put in since then.", required=True)
    conductivity = Measure("uS/cm", "At 25 Cel.", low=0, high=1e5)
    kh = alkalinity("Carbonate hardness.")
    nitrate = Measure("mg/L", "As NO3.", low=0, high=1e5)


class ReuseAnswerSchema(Schema):
    """The verdict."""

    verdict = Choice(words=("fit", "dilute", "unfit"), required=True)
    volume = Measure("L", "Fit to be used.", required=True)
    rainwater = Measure("L", "Rain or reverse-osmosis water to add.", required=True)
    reasons = Items(Text(longest=1000), required=True)
