"""``/v1/tanks/{tank}/nutrients``: estimated NO3, PO4, K and Fe over time."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import timedelta
from typing import Any

from service.api.context import current, now
from service.api.http.blueprint import Blueprint
from service.api.http.path_parameters import TANK
from service.derive.log_in_force import log_in_force
from service.derive.nutrients.estimate import NutrientLevel, Nutrients, nutrients_of
from service.schemas.answers import AnswerSchema, Rows, With
from service.schemas.base import Items, Schema
from service.schemas.fields import Number, Text, Whole
from service.schemas.quantities import Measure
from service.schemas.ranges import Estimated
from service.schemas.readings import REASONS, ReadingTime
from service.schemas.times import Moment, SpanOf
from service.science.nutrients.limits import CEILINGS

DAYS = 30.0
LONGEST = timedelta(days=120)

blueprint = Blueprint(
    "nutrients",
    __name__,
    url_prefix="/v1/tanks/<tank>/nutrients",
    description="Nutrients of a tank over time, estimated.",
)


class NutrientsOptionsSchema(Schema):
    """How far back and ahead."""

    back = SpanOf(timedelta(days=1), "Default: 30 days.", longest=LONGEST, zero=True)
    ahead = SpanOf(
        timedelta(days=1),
        "Without further doses and changes; default: none.",
        longest=timedelta(days=30),
        zero=True,
    )


class NutrientPointSchema(AnswerSchema):
    """The level at one moment, mg/L."""

    time = ReadingTime(attribute="time_us")
    value = Number()
    low = Number("Lower end of the 95 % interval.")
    high = Number("Upper end of the 95 % interval.")


class NutrientSchema(AnswerSchema):
    """One nutrient."""

    ion = Text("As test kits name it.")
    level = Estimated("mg/L")
    uptake = Estimated(
        "mg/L/d",
        "Fall per day; below 0 where animals and food give more than plants take.",
        attribute="uptake_mg_l_d",
    )
    uptake_from = Text("What the uptake rests on.", longest=1000)
    tap_from = Text("What is known of the new water.", longest=1000)
    tests = Whole("Tests in the log that counted.", low=0, high=100_000)
    ceiling = Measure("mg/L", "Highest advisable.", allow_none=True)
    points = Rows(NutrientPointSchema, "As it was known at each moment: it jumps at a test.")


class NutrientsSchema(AnswerSchema):
    """Nutrients now and over time."""

    tank = Text()
    time = Moment()
    nutrients = Items(NutrientSchema)
    reasons = Items(Text(longest=1000), REASONS)


@dataclass(frozen=True, slots=True)
class Points:
    """Columns of a course."""

    time_us: list[int]
    value: list[float]
    low: list[float]
    high: list[float]


@blueprint.at("", "GET", parameters=TANK)
@blueprint.query(NutrientsOptionsSchema)
@blueprint.answers(200, NutrientsSchema)
def nutrients(options: dict[str, Any], tank: str) -> dict[str, Any]:
    """Estimated NO3, PO4, K and Fe, with 95 % intervals

    From doses, water changes and tests in the log, and a range of uptake that tests narrow.
    """
    context, present = current(), now()
    found = context.registry.tank(tank)
    log = log_in_force(found, context.registry, present, present)
    levels = nutrients_of(
        found, log, present, days=options.get("back", DAYS), ahead_days=options.get("ahead", 0.0)
    )
    return {
        "tank": tank,
        "time": present,
        "nutrients": [
            With(one, ceiling=_ceiling(one.ion), points=_points(levels, one))
            for one in levels.levels
        ],
        "reasons": list(levels.reasons),
    }


def _ceiling(ion: str) -> float | None:
    known = CEILINGS.get(ion)
    return None if known is None else known.mg_l


def _points(of: Nutrients, one: NutrientLevel) -> Points:
    return Points(of.time_us.tolist(), one.value.tolist(), one.low.tolist(), one.high.tolist())
