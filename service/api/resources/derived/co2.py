"""``/v1/tanks/{tank}/co2`` and ``/co2/series``."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import timedelta
from typing import Any, Final

import numpy as np

from service.api.context import current, now
from service.api.http.blueprint import Blueprint
from service.api.http.limits.read_budget import budgeted_store
from service.api.http.pagination import USUAL, PageSchema, next_address, span_of
from service.api.http.path_parameters import TANK
from service.api.http.problems.faults import invalid_option
from service.api.resources.readings.query import checked_step
from service.derive.co2.crosscheck import co2_check_of
from service.derive.co2.current import co2_now
from service.derive.co2.gas_use import g_per_day
from service.derive.co2.narrowing import narrowing_of
from service.derive.co2.series import co2_series, inner_step_us, mean_over
from service.derive.co2.target import target_of
from service.derive.gas_exchange import FIT_DAYS, gas_exchange
from service.derive.loader import CO2_QUANTITIES, load, load_span
from service.derive.models.co2 import Array, Co2Check, Co2Series, Co2State, Narrowing
from service.derive.models.quality import Quality
from service.schemas.answers import AnswerSchema, Part, Rows, With
from service.schemas.base import Items, Nested
from service.schemas.fields import Choice, Number, Text, YesNo
from service.schemas.quantities import Measure
from service.schemas.ranges import Estimated, Range
from service.schemas.readings import REASONS, InputSchema, KhInputSchema, ReadingTime
from service.schemas.times import Moment, Span
from service.science.carbonate.co2 import RULE_OF_THUMB
from service.times import format_moment, from_us

LONGEST: Final = timedelta(days=31)
"""Span of which every reading is loaded for one answer, however many it shows. Our choice."""

blueprint = Blueprint(
    "co2", __name__, url_prefix="/v1/tanks/<tank>/co2", description="Dissolved CO2 of a tank."
)


class TankCo2InputsSchema(AnswerSchema):
    """What the estimate rests on; null where there is none."""

    ph = Nested(InputSchema, allow_none=True)
    kh = Nested(KhInputSchema, allow_none=True)
    temperature = Nested(InputSchema, allow_none=True)


class MethodSchema(AnswerSchema):
    """CO2 by one method."""

    method = Text()
    co2 = Estimated("mg/L")


class WeighedCo2Schema(AnswerSchema):
    """Independent estimates of CO2, weighed into one."""

    co2 = Estimated(
        "mg/L",
        "All estimates together; where they disagree its interval covers all of them.",
        attribute="weighed",
    )
    agree = YesNo("Whether they differ by no more than chance.")
    methods = Items(MethodSchema, "Each estimate, that by pH and KH first.")
    narrow_by = Text(
        "What would narrow the interval most, and to what; null where nothing does by much.",
        allow_none=True,
    )
    reasons = Items(Text(longest=1000), REASONS)


class TankCo2Schema(AnswerSchema):
    """CO2 of a tank now."""

    tank = Text()
    time = Moment("Of the older of the readings used; null when there is none.", allow_none=True)
    co2 = Estimated("mg/L", "Dissolved CO2; null when unknown.", allow_none=True)
    method = Text("Name of the formula.")
    rule_of_thumb = Measure(
        "mg/L",
        "What the trade's rule gives for the same pH and KH (common practice, no source); it reads "
        "about 12 % low at 24 to 26 Cel. Null when unknown.",
        allow_none=True,
        attribute="rule_of_thumb_mg_l",
    )
    rule_of_thumb_method = Text("The rule.", dump_default=RULE_OF_THUMB)
    inputs = Part(TankCo2InputsSchema, of={"ph": "ph", "kh": "kh", "temperature": "temperature"})
    target = Range(
        "mg/L",
        "Target for the plants, its upper end no higher than the animals are comfortable with; for "
        "`co2`, not for `rule_of_thumb`.",
        ends=("target_low_mg_l", "target_high_mg_l"),
    )
    weighed = Nested(
        WeighedCo2Schema,
        "With an aerated sample and with the CO2 used, as far as the log has them; null when CO2 "
        "is unknown.",
        allow_none=True,
    )
    state = Choice("Where the value lies.", words=list(Co2State))
    quality = Choice("How far it can be trusted.", words=list(Quality))
    reasons = Items(Text(longest=1000), REASONS)


class Co2SeriesOptionsSchema(PageSchema):
    """Which stretch of time, and in what steps."""

    every = Span(
        f"Means over spans of this length; default: each pH reading, up to {LONGEST.days} days."
    )


class Co2PointSchema(AnswerSchema):
    """CO2 at one moment, mg/L; null where unknown."""

    time = ReadingTime(attribute="time_us")
    value = Number(allow_none=True)
    low = Number("Lower end of the 95 % interval.", allow_none=True)
    high = Number("Upper end of the 95 % interval.", allow_none=True)


class Co2SeriesSchema(AnswerSchema):
    """CO2 over time."""

    tank = Text()
    start = Moment()
    end = Moment()
    every = Span(allow_none=True)
    unit = Text("mg/L", dump_default="mg/L")
    target = Range("mg/L")
    points = Rows(Co2PointSchema)
    next = Text(allow_none=True)


@blueprint.at("", "GET", parameters=TANK)
@blueprint.answers(200, TankCo2Schema)
def co2(tank: str) -> With:
    """Dissolved CO2 now, against what plants want and animals tolerate

    A missing or doubtful sensor gives the state `unknown` and the reasons, never a number.
    """
    context, moment = current(), now()
    found = context.registry.tank(tank)
    inputs = load(found, context.registry, context.store, moment, days=0)
    co2_of_tank = co2_now(inputs, drift=context.drifts.known(inputs))
    gas = None
    if co2_of_tank.co2 is not None and g_per_day(inputs.log) is not None:
        fitted = load(found, context.registry, context.store, moment, days=FIT_DAYS)
        gas = gas_exchange(fitted)
    check = co2_check_of(found, inputs.log, co2_of_tank, moment, gas)
    narrowing = narrowing_of(found, co2_of_tank, check)
    weighed = None if check is None else _weighed(check, narrowing)
    return With(co2_of_tank, tank=tank, weighed=weighed)


def _weighed(check: Co2Check, narrowing: Narrowing | None) -> With:
    reasons = [one for one in (check.reason, check.why_no_sample) if one]
    if not check.agree and not check.reason:
        reasons.append("the estimates disagree: one of their inputs is wrong")
    return With(
        check,
        methods=[{"method": name, "co2": value} for name, value in check.methods],
        narrow_by=None if narrowing is None else narrowing.sentence,
        reasons=reasons,
    )


@blueprint.at("/series", "GET", parameters=TANK)
@blueprint.query(Co2SeriesOptionsSchema)
@blueprint.answers(200, Co2SeriesSchema)
def series(options: dict[str, Any], tank: str) -> dict[str, Any]:
    """Dissolved CO2 over time, oldest first"""
    context = current()
    found = context.registry.tank(tank)
    start, end = span_of(options)
    every = options.get("every")
    every_us = None if every is None else checked_step(every, start, end)
    if every is None and end - start > LONGEST:
        allowed = f"within {LONGEST.days} days of the start, or `every` beside it"
        raise invalid_option("end", format_moment(end), allowed)
    inputs = load_span(
        found,
        context.registry,
        budgeted_store(start, "a shorter time, or a longer `every`"),
        start,
        end,
        quantities=CO2_QUANTITIES,
        step_us=None if every_us is None else inner_step_us(start, end, every_us),
    )
    values = co2_series(inputs)
    if every_us is not None:
        values = mean_over(values, every_us)
    limit = options.get("limit", USUAL)
    more = None
    if len(values.time_us) > limit:
        at = format_moment(from_us(int(values.time_us[limit])))
        more = next_address(start=at, end=format_moment(end))
    target = target_of(found, inputs.tolerance.co2_comfortable_mg_l)
    return {
        "tank": tank,
        "start": start,
        "end": end,
        "every": every,
        "target": (target.low_mg_l, target.high_mg_l),
        "points": _points(values, limit),
        "next": more,
    }


@dataclass(frozen=True, slots=True)
class Co2Points:
    """Columns of a series; None where CO2 is unknown."""

    time_us: list[int]
    value: list[float | None]
    low: list[float | None]
    high: list[float | None]


def _points(series: Co2Series, limit: int) -> Co2Points:
    known = ~np.isnan(series.value[:limit])

    def column(values: Array) -> list[float | None]:
        pairs = zip(known.tolist(), values[:limit].tolist(), strict=True)
        return [value if sure else None for sure, value in pairs]

    return Co2Points(
        series.time_us[:limit].tolist(),
        column(series.value),
        column(series.low),
        column(series.high),
    )
