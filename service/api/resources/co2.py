"""``/v1/tanks/{tank}/co2`` and ``/co2/series``."""

from __future__ import annotations

from typing import Any

import numpy as np
from flask import Response

from service.api.context import current, now
from service.api.http.blueprint import Blueprint
from service.api.http.pagination import USUAL, PageSchema, next_address, span_of
from service.api.http.path_parameters import TANK
from service.api.http.responses import as_json
from service.api.resources.readings.query import checked_step
from service.api.schemas.measured import (
    REASONS,
    AlkalinityInputSchema,
    InputSchema,
    alkalinity_input,
    reading_input,
)
from service.derive.co2.current import co2_now
from service.derive.co2.series import co2_series, inner_step_us, mean_over
from service.derive.co2.target import target_of
from service.derive.loader import CO2_QUANTITIES, load, load_span
from service.derive.models import Co2Series, Co2State, Quality
from service.schemas.base import Items, Nested, Schema
from service.schemas.fields import Choice, Number, Text
from service.schemas.ranges import Estimated, Range
from service.schemas.times import Moment, Span
from service.times import format_moment, format_span, from_us

blueprint = Blueprint(
    "co2", __name__, url_prefix="/v1/tanks/<tank>/co2", description="Dissolved CO2 of a tank."
)


class TankCo2InputsSchema(Schema):
    """What the estimate rests on; null where there is none."""

    ph = Nested(InputSchema, allow_none=True, required=True)
    kh = Nested(AlkalinityInputSchema, allow_none=True, required=True)
    temperature = Nested(InputSchema, allow_none=True, required=True)


class TankCo2Schema(Schema):
    """CO2 of a tank now."""

    tank = Text(required=True)
    time = Moment(
        "Of the older of the readings used; null when there is none.",
        allow_none=True,
        required=True,
    )
    co2 = Estimated("mg/L", "Dissolved CO2; null when unknown.", allow_none=True, required=True)
    method = Text("Name of the formula.", required=True)
    inputs = Nested(TankCo2InputsSchema, required=True)
    target = Range(
        "mg/L",
        "What the plants want, its upper end no higher than the animals tolerate.",
        required=True,
    )
    state = Choice("Where the value lies.", words=list(Co2State), required=True)
    quality = Choice("How far it can be trusted.", words=list(Quality), required=True)
    reasons = Items(Text(longest=1000), REASONS, required=True)


class Co2SeriesOptionsSchema(PageSchema):
    """Which stretch of time, and in what steps."""

    every = Span("Means over spans of this length; default: each pH reading.")


class Co2PointSchema(Schema):
    """CO2 at one moment, mg/L; null where unknown."""

    time = Moment(required=True)
    value = Number(allow_none=True, required=True)
    low = Number("Lower end of the 95 % interval.", allow_none=True, required=True)
    high = Number("Upper end of the 95 % interval.", allow_none=True, required=True)


class Co2SeriesSchema(Schema):
    """CO2 over time."""

    tank = Text(required=True)
    start = Moment(required=True)
    end = Moment(required=True)
    every = Span(allow_none=True, required=True)
    unit = Text("mg/L", required=True)
    target = Range("mg/L", required=True)
    points = Items(Co2PointSchema, required=True)
    next = Text(allow_none=True, required=True)


@blueprint.at("", "GET", parameters=TANK)
@blueprint.answers(200, TankCo2Schema)
def co2(tank: str) -> dict[str, Any]:
    """Dissolved CO2 now, against what plants want and animals tolerate

    A missing or doubtful sensor gives the state `unknown` and the reasons, never a number.
    """
    parts = current()
    found = co2_now(load(parts.registry.tank(tank), parts.registry, parts.store, now(), days=0))
    return {
        "tank": tank,
        "time": found.time,
        "co2": found.co2,
        "method": found.method,
        "inputs": {
            "ph": reading_input(found.ph),
            "kh": alkalinity_input(found.alkalinity),
            "temperature": reading_input(found.temperature),
        },
        "target": (found.target_low_mg_l, found.target_high_mg_l),
        "state": found.state,
        "quality": found.quality,
        "reasons": list(found.reasons),
    }


@blueprint.at("/series", "GET", parameters=TANK)
@blueprint.query(Co2SeriesOptionsSchema)
@blueprint.answers(200, Co2SeriesSchema)
def series(options: dict[str, Any], tank: str) -> Response:
    """Dissolved CO2 over time, oldest first"""
    parts = current()
    found = parts.registry.tank(tank)
    start, end = span_of(options)
    every = options.get("every")
    every_us = None if every is None else checked_step(every, start, end)
    inputs = load_span(
        found,
        parts.registry,
        parts.store,
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
    target = target_of(found, inputs.tolerance.co2_max_mg_l)
    return as_json(
        {
            "tank": tank,
            "start": format_moment(start),
            "end": format_moment(end),
            "every": None if every is None else format_span(every),
            "unit": "mg/L",
            "target": {"low": target.low_mg_l, "high": target.high_mg_l, "unit": "mg/L"},
            "points": _points(values, limit),
            "next": more,
        }
    )


def _points(values: Co2Series, limit: int) -> list[dict[str, Any]]:
    columns = (values.value, values.low, values.high)
    known = ~np.isnan(values.value)
    rows = zip(
        values.time_us[:limit].tolist(),
        known[:limit].tolist(),
        *(column[:limit].tolist() for column in columns),
        strict=True,
    )
    return [
        {
            "time": format_moment(from_us(time_us)),
            "value": value if sure else None,
            "low": low if sure else None,
            "high": high if sure else None,
        }
        for time_us, sure, value, low, high in rows
    ]
