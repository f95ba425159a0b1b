"""``/v1/tanks/{tank}/gas-exchange`` and ``/what-if``: what the tank's own series tells."""

from __future__ import annotations

import math
from datetime import time, timedelta
from typing import Any, Final

import numpy as np

from service.api.context import current, now
from service.api.http.blueprint import Blueprint
from service.api.http.path_parameters import TANK
from service.api.pointers import told_in_json
from service.api.resources.tanks.schemas import StockSchema
from service.api.schemas.measured import REASONS
from service.derive.gas_exchange import FIT_DAYS, gas_exchange
from service.derive.loader import load
from service.derive.models import EstimatedValue, GasModel
from service.derive.prediction.day_model import Band
from service.derive.prediction.what_if import PredictedDay, Question, predicted_day
from service.schemas.base import Items, Nested, Schema, ValueSchema
from service.schemas.fields import Number, Text, Whole, YesNo
from service.schemas.quantities import Measure, Share, alkalinity
from service.schemas.ranges import Estimated, Range
from service.schemas.times import Moment, SpanOf, TimeOfDay
from service.science.gas_exchange.fit import GasExchangeFit

_HOUR: Final = timedelta(hours=1)
_DAY: Final = timedelta(days=1)
CYLINDERS_G: Final = (500.0, 2000.0)

blueprint = Blueprint(
    "gas-exchange",
    __name__,
    url_prefix="/v1/tanks/<tank>",
    description="Gas exchange of a tank, fitted to its own series, and predictions from it.",
)


class CylinderSchema(Schema):
    """How long a full cylinder lasts at most."""

    content = Measure("g", required=True)
    days = Estimated("d", required=True)


class GasExchangeSchema(Schema):
    """Exchange and injection; null where the series does not tell."""

    tank = Text(required=True)
    fitted = Moment("When; from the days before.", required=True)
    k20 = Estimated("/h", "Exchange coefficient at 20 Cel.", allow_none=True, required=True)
    injection = Estimated("mg/L/h", allow_none=True, required=True)
    equilibrium = Measure("mg/L", "With the air.", allow_none=True, required=True)
    night_excess = Measure(
        "mg/L", "Above that at a long night's end.", allow_none=True, required=True
    )
    nights = Whole("Used in the fit.", low=0, high=10_000, required=True)
    rises = Whole("Used in the fit.", low=0, high=10_000, required=True)
    lead = Estimated(
        "h",
        "Gas before lights-on to reach the lower end of the target; null: not told, or the "
        "target is not reached at the present rate.",
        allow_none=True,
        required=True,
    )
    steady = Estimated("mg/L", "Where gas and loss settle.", allow_none=True, required=True)
    gas_per_day = Estimated(
        "g/d",
        "Dissolved: a lower bound of what the cylinder loses.",
        allow_none=True,
        required=True,
    )
    cylinders = Items(CylinderSchema, required=True)
    cautions = Items(Text(longest=1000), required=True)
    reasons = Items(Text(longest=1000), REASONS, required=True)


class WhatIfSchema(ValueSchema):
    """What to change; what is left out stays as it is."""

    makes = Question

    lights_on = TimeOfDay()
    photoperiod = SpanOf(_HOUR, longest=_DAY, zero=True, attribute="light_hours")
    gas_on = TimeOfDay()
    gas_off = TimeOfDay()
    injection_factor = Number("Gas flow, as a multiple of the present one.", low=0, high=5)
    surface_factor = Number("Surface exchange, likewise.", low=0.2, high=5)
    kh = alkalinity("Another carbonate hardness.", high=20, attribute="alkalinity_meq_l")
    water_change = Share("Another fraction.", low=1, attribute="water_change_fraction")
    water_change_every = SpanOf(_DAY, longest=365 * _DAY, attribute="water_change_every_days")
    added = Items(StockSchema, "Animals to come.", longest=50)


class HourSchema(Schema):
    """The middle of one hour of a settled day."""

    at = TimeOfDay("Local time.", required=True)
    lit = YesNo(required=True)
    gas = YesNo(required=True)
    co2 = Estimated("mg/L", required=True)
    ph = Estimated("[pH]", required=True)
    temperature = Estimated("Cel", required=True)


class PredictedSchema(Schema):
    """A settled day."""

    photoperiod = Measure("h", required=True)
    lit_within = Estimated("h", "Lit with CO2 within its target.", required=True)
    lit_below = Estimated("h", "Lit with CO2 below it.", required=True)
    co2_at_lights_on = Estimated("mg/L", required=True)
    co2_peak = Estimated("mg/L", required=True)
    ph_lowest = Estimated("[pH]", required=True)
    ph_highest = Estimated("[pH]", required=True)
    above_ceiling = Estimated("min", "CO2 above what the animals tolerate.", required=True)
    ceiling = Measure("mg/L", allow_none=True, required=True)
    target = Range("mg/L", required=True)
    temperature_max = Estimated("Cel", required=True)
    dli = Measure("mol/m2/d", allow_none=True, required=True)
    gas = Estimated("g", "Dissolved in the day.", allow_none=True, required=True)
    nitrate_ratio = Estimated(
        "1",
        "Where nitrate settles, by today's; null: no animals are registered to compare with.",
        allow_none=True,
        required=True,
    )
    hours = Items(HourSchema, "The course of the day, hour by hour.", required=True)


class PredictionSchema(Schema):
    """Today's settled day, and the one asked for."""

    tank = Text(required=True)
    today = Nested(PredictedSchema, required=True)
    changed = Nested(PredictedSchema, required=True)
    reasons = Items(Text(longest=2000), "What to mind.", required=True)


@blueprint.at("/gas-exchange", "GET", parameters=TANK)
@blueprint.answers(200, GasExchangeSchema)
def exchange(tank: str) -> dict[str, Any]:
    """Exchange coefficient and injection fitted to the tank's own series, and what they mean"""
    parts = current()
    model = gas_exchange(
        load(parts.registry.tank(tank), parts.registry, parts.store, now(), days=FIT_DAYS)
    )
    fit = model.fit
    return {
        "tank": tank,
        "fitted": model.fitted,
        "k20": None if fit is None else fit.k20_per_h,
        "injection": None if fit is None else fit.injection_mg_l_h,
        "equilibrium": None if fit is None else fit.equilibrium_mg_l,
        "night_excess": None if fit is None else fit.night_excess_mg_l,
        "nights": 0 if fit is None else fit.nights,
        "rises": 0 if fit is None else fit.rises,
        "lead": _finite(model.lead_h),
        "steady": _finite(model.steady_mg_l),
        "gas_per_day": _finite(model.gas_g_per_day),
        "cylinders": _cylinders(model),
        "cautions": [
            "CO2 in a room and cylinders under pressure can kill: local codes on pressurised gas "
            "and ventilation come first, and licensed practice where they ask for it",
        ],
        "reasons": _reasons(model, fit),
    }


@blueprint.at("/what-if", "POST", parameters=TANK)
@blueprint.body(WhatIfSchema, example={"gas_on": "08:00", "injection_factor": 1.2})
@blueprint.answers(200, PredictionSchema)
@blueprint.also_answers(409, description="The tank's gas exchange or KH is not known.")
def predict(question: Question, tank: str) -> dict[str, Any]:
    """What a settled day would be like with other settings, beside today's

    From the tank's own fitted gas exchange; nothing is changed.
    """
    parts = current()
    found = parts.registry.tank(tank)
    with told_in_json(WhatIfSchema):
        answer = predicted_day(
            load(found, parts.registry, parts.store, now(), days=FIT_DAYS), question
        )
    return {
        "tank": tank,
        "today": _day(answer.today),
        "changed": _day(answer.changed),
        "reasons": list(answer.notes),
    }


def _day(day: PredictedDay) -> dict[str, Any]:
    return {
        "photoperiod": day.light_h,
        "lit_within": day.light_h_within,
        "lit_below": day.light_h_below,
        "co2_at_lights_on": day.co2_at_lights_on,
        "co2_peak": day.co2_peak,
        "ph_lowest": day.ph_lowest,
        "ph_highest": day.ph_highest,
        "above_ceiling": day.above_ceiling_min,
        "ceiling": day.ceiling_mg_l,
        "target": (day.target_low_mg_l, day.target_high_mg_l),
        "temperature_max": day.temperature_max_c,
        "dli": day.dli_mol_m2_d,
        "gas": day.gas_g,
        "nitrate_ratio": day.nitrate_ratio,
        "hours": [_hour(day, hour) for hour in range(24)],
    }


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


def _finite(one: EstimatedValue | None) -> EstimatedValue | None:
    """The estimate, if all of it can be written; an infinite one is none."""
    if one is None or not all(math.isfinite(value) for value in (one.value, one.low, one.high)):
        return None
    return one


def _cylinders(model: GasModel) -> list[dict[str, Any]]:
    use = _finite(model.gas_g_per_day)
    if use is None or use.low <= 0:
        return []
    return [
        {
            "content": content,
            "days": EstimatedValue(content / use.value, content / use.high, content / use.low),
        }
        for content in CYLINDERS_G
    ]


def _reasons(model: GasModel, fit: GasExchangeFit | None) -> list[str]:
    reasons = [model.reason] if model.reason else []
    if model.lead_h is not None and not math.isfinite(model.lead_h.value):
        reasons.append("the target is not reached at the present injection rate")
    elif model.lead_h is not None and not math.isfinite(model.lead_h.high):
        reasons.append("whether the target is reached at the present rate is not sure")
    if fit is None and not reasons:
        reasons.append("the series does not tell the gas exchange")
    return reasons
