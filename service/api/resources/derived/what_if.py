"""``/v1/tanks/{tank}/what-if``: a settled day with other settings, beside today's."""

from __future__ import annotations

from datetime import time, timedelta
from typing import Any, Final

import numpy as np

from service.api.context import current, now
from service.api.http.blueprint import Blueprint
from service.api.http.path_parameters import TANK
from service.api.http.problems.faults import named_as
from service.derive.gas_exchange import FIT_DAYS
from service.derive.loader import load
from service.derive.models.quality import EstimatedValue
from service.derive.prediction.day_model import Band
from service.derive.prediction.question import Question
from service.derive.prediction.what_if import PredictedDay, predicted_day
from service.registry.checks import schema_of
from service.registry.fields.inhabitants import StockSchema
from service.schemas.answers import AnswerSchema, With
from service.schemas.base import Items, Nested, ValueSchema
from service.schemas.checks import check
from service.schemas.fields import Choice, Number, Text, YesNo
from service.schemas.quantities import Fraction, Measure, carbonate_hardness
from service.schemas.ranges import Estimated, Range
from service.schemas.times import SpanOf, TimeOfDay

_HOUR: Final = timedelta(hours=1)
_DAY: Final = timedelta(days=1)

blueprint = Blueprint(
    "what-if",
    __name__,
    url_prefix="/v1/tanks/<tank>/what-if",
    description="Predictions from a tank's own gas exchange.",
)


class WhatIfSchema(ValueSchema):
    """What to change; what is left out stays as it is."""

    makes = Question

    light_start = TimeOfDay()
    photoperiod = SpanOf(_HOUR, longest=_DAY, zero=True, attribute="photoperiod_h")
    gas_start = TimeOfDay()
    gas_end = TimeOfDay()
    injection_factor = Number("Gas flow, as a multiple of the present one.", low=0, high=5)
    surface_factor = Number("Surface exchange, likewise.", low=0.2, high=5)
    kh = carbonate_hardness("Another carbonate hardness.", high=20, attribute="kh_meq_l")
    water_change_fraction = Fraction("Another fraction of the net volume.", low=1)
    water_change_every = SpanOf(_DAY, longest=365 * _DAY, attribute="water_change_every_days")
    animals = Items(StockSchema, "Animals to come, beside those that are there.", longest=50)


class HourSchema(AnswerSchema):
    """The middle of one hour of a settled day."""

    at = TimeOfDay("Local time.")
    lit = YesNo()
    gas = YesNo()
    co2 = Estimated("mg/L")
    ph = Estimated("[pH]")
    temperature = Estimated("Cel")


class FactorSchema(AnswerSchema):
    """One condition of growth."""

    name = Choice(words=["light", "co2", "temperature"])
    fraction = Estimated("1", "Of what plants can use; null: not known.", allow_none=True)
    source = Text(longest=1000)


class GrowingDaySchema(AnswerSchema):
    """Light, CO2 in the light and warmth as plants see them; compares days of one tank."""

    factors = Items(FactorSchema)
    limiting = Text("The least of them; empty: none, or not all are known.")


class PredictedSchema(AnswerSchema):
    """A settled day."""

    photoperiod = Measure("h", attribute="light_h")
    lit_within = Estimated("h", "Lit with CO2 within its target.", attribute="light_h_within")
    lit_below = Estimated("h", "Lit with CO2 below it.", attribute="light_h_below")
    co2_at_lights_on = Estimated("mg/L")
    co2_peak = Estimated("mg/L")
    ph_lowest = Estimated("[pH]")
    ph_highest = Estimated("[pH]")
    above_ceiling = Estimated(
        "min", "CO2 above what the animals tolerate.", attribute="above_ceiling_min"
    )
    ceiling = Measure("mg/L", attribute="ceiling_mg_l", allow_none=True)
    target = Range("mg/L", ends=("target_low_mg_l", "target_high_mg_l"))
    temperature_max = Estimated("Cel", attribute="temperature_max_c")
    dli = Measure("mol/m2/d", attribute="dli_mol_m2_d", allow_none=True)
    gas = Estimated("g", "Dissolved in the day.", attribute="gas_g", allow_none=True)
    no3_ratio = Estimated(
        "1",
        "Where nitrate settles, by today's; null: no animals are registered to compare with.",
        allow_none=True,
    )
    growing = Nested(GrowingDaySchema)
    hours = Items(HourSchema, "The course of the day, hour by hour.")


class PredictionSchema(AnswerSchema):
    """Today's settled day, and the one asked for."""

    tank = Text()
    today = Nested(PredictedSchema)
    changed = Nested(PredictedSchema)
    reasons = Items(Text(longest=2000), "Cautions.")


@blueprint.at("", "POST", parameters=TANK)
@blueprint.body(WhatIfSchema, example={"gas_start": "08:00", "injection_factor": 1.2})
@blueprint.answers(200, PredictionSchema)
@blueprint.also_answers(409, description="The tank's gas exchange or KH is not known.")
def predict(question: Question, tank: str) -> dict[str, Any]:
    """What a settled day would be like with other settings, beside today's

    From the tank's own fitted gas exchange; nothing is changed.
    """
    context = current()
    found = context.registry.tank(tank)
    for number, stock in enumerate(question.animals):
        check(schema_of(StockSchema), stock, under=("animals", number))
    with named_as(WhatIfSchema):
        answer = predicted_day(
            load(found, context.registry, context.store, now(), days=FIT_DAYS), question
        )
    return {
        "tank": tank,
        "today": _day(answer.today),
        "changed": _day(answer.changed),
        "reasons": answer.notes,
    }


def _day(day: PredictedDay) -> With:
    return With(day, hours=[_hour(day, hour) for hour in range(24)])


def _hour(day: PredictedDay, hour: int) -> dict[str, Any]:
    at = int(np.argmin(np.abs(day.minute - (hour * 60 + 30))))

    def of(course: Band) -> EstimatedValue:
        return EstimatedValue(*(float(one[at]) for one in (course.value, course.low, course.high)))

    return {
        "at": time(hour, 30),
        "lit": bool(day.lit[at]),
        "gas": bool(day.gas[at]),
        "co2": of(day.co2),
        "ph": of(day.ph),
        "temperature": of(day.temperature),
    }
