"""``/v1/tanks/{tank}/temperature`` and its excursions."""

from __future__ import annotations

import math
from datetime import datetime, timedelta
from typing import Any

from service.api.context import current, now
from service.api.http.blueprint import Blueprint
from service.api.http.pagination import SpanSchema, span_of
from service.api.http.path_parameters import TANK
from service.api.schemas.measured import REASONS
from service.derive.loader import load_range_exits, load_temperature
from service.derive.models import Forecast, Quality, TemperatureNow
from service.derive.temperature import excursions_of, temperature_now
from service.derive.tolerance import Tolerance
from service.schemas.base import Items, Nested, Schema
from service.schemas.fields import Choice, Number, Text, YesNo
from service.schemas.quantities import Measure
from service.schemas.ranges import Range
from service.schemas.times import Moment
from service.science.temperature.excursions import Excursion
from service.times import EPOCH, from_us

STATES = ("below", "within", "above", "unknown")
NO_RANGE = "no animals with a known range: nothing to judge temperature by"
_WEEK = timedelta(days=7)

blueprint = Blueprint(
    "temperature",
    __name__,
    url_prefix="/v1/tanks/<tank>/temperature",
    description="The temperature of a tank against what its animals share.",
)


class ForecastSchema(Schema):
    """When a limit will be crossed if things stay as they are."""

    side = Choice(words=["above", "below"], required=True)
    limit = Measure("Cel", required=True)
    at = Moment("Median; null: not within half a day.", allow_none=True, required=True)
    earliest = Moment("2.5 % quantile.", allow_none=True, required=True)
    latest = Moment("97.5 % quantile.", allow_none=True, required=True)
    probability = Number("Of crossing within half a day.", low=0, high=1, required=True)


class TankTemperatureSchema(Schema):
    """The temperature of a tank now."""

    tank = Text(required=True)
    time = Moment("Of the reading; null when there is none.", allow_none=True, required=True)
    temperature = Measure("Cel", "Null when unknown.", allow_none=True, required=True)
    sensor = Text(allow_none=True, required=True)
    rate = Measure("K/h", "Over the last hour.", allow_none=True, required=True)
    range = Range(
        "Cel",
        "What all animals share; null ends where nothing limits it.",
        open_ends=True,
        required=True,
    )
    low_species = Text("Whose limit the lower end is.", required=True)
    high_species = Text("Whose limit the upper end is.", required=True)
    state = Choice("Where it lies.", words=STATES, required=True)
    quality = Choice("How far it can be trusted.", words=list(Quality), required=True)
    forecast = Nested(ForecastSchema, allow_none=True, required=True)
    reasons = Items(Text(longest=1000), REASONS, required=True)


class ExcursionSchema(Schema):
    """An interval in which temperature lay outside the range."""

    start = Moment(required=True)
    end = Moment(required=True)
    start_known = YesNo("False: it may have begun earlier.", required=True)
    end_known = YesNo("False: it may last longer, or still.", required=True)
    side = Choice(words=["above", "below"], required=True)
    limit = Measure("Cel", required=True)
    species = Text("Whose limit it is.", required=True)
    peak = Measure("Cel", "The temperature furthest outside.", required=True)
    peak_time = Moment(allow_none=True, required=True)
    degree_hours = Measure("K.h", "Integral of the distance outside.", required=True)
    length = Measure("h", required=True)


class ExcursionsSchema(Schema):
    """Excursions, oldest first."""

    tank = Text(required=True)
    start = Moment(required=True)
    end = Moment(required=True)
    range = Range("Cel", open_ends=True, required=True)
    low_species = Text(required=True)
    high_species = Text(required=True)
    excursions = Items(ExcursionSchema, required=True)
    reasons = Items(Text(longest=1000), REASONS, required=True)
    next = Text(allow_none=True, required=True)


@blueprint.at("", "GET", parameters=TANK)
@blueprint.answers(200, TankTemperatureSchema)
def temperature(tank: str) -> dict[str, Any]:
    """Temperature now, its rate, and when a limit will be crossed"""
    parts = current()
    inputs = load_temperature(parts.registry.tank(tank), parts.registry, parts.store, now())
    found = temperature_now(inputs)
    reading = found.reading
    known = reading is not None and found.quality != Quality.STALE
    return {
        "tank": tank,
        "time": None if reading is None else from_us(reading.time_us),
        "temperature": reading.value if reading is not None and known else None,
        "sensor": None if reading is None else reading.sensor,
        "rate": found.rate_k_h,
        "range": (found.low_c, found.high_c),
        "low_species": found.low_species,
        "high_species": found.high_species,
        "state": state_of(found),
        "quality": found.quality,
        "forecast": None if found.forecast is None else _forecast(found.forecast),
        "reasons": [*found.reasons, *_unjudged(found)],
    }


@blueprint.at("/excursions", "GET", parameters=TANK)
@blueprint.query(SpanSchema)
@blueprint.answers(200, ExcursionsSchema)
def excursions(options: dict[str, Any], tank: str) -> dict[str, Any]:
    """When temperature left the range that all animals share; default: the last seven days"""
    parts = current()
    found = parts.registry.tank(tank)
    start, end = span_of(options, _WEEK)
    inputs = load_range_exits(found, parts.registry, parts.store, start, end)
    tolerance = inputs.tolerance
    reasons = [tolerance.contradiction] if tolerance.contradiction else []
    if tolerance.low_c is None and tolerance.high_c is None and not reasons:
        reasons.append(NO_RANGE)
    return {
        "tank": tank,
        "start": start,
        "end": end,
        "range": (tolerance.low_c, tolerance.high_c),
        "low_species": tolerance.low_species,
        "high_species": tolerance.high_species,
        "excursions": [
            _excursion(one, tolerance)
            for one in excursions_of(found, inputs.series("temperature"), tolerance)
        ],
        "reasons": reasons,
        "next": None,
    }


def state_of(found: TemperatureNow) -> str:
    """Where the present temperature lies; on a limit is within; unknown without any limit."""
    if found.reading is None or found.quality == Quality.STALE or _unjudged(found):
        return "unknown"
    value = found.reading.value
    if found.low_c is not None and value < found.low_c:
        return "below"
    return "above" if found.high_c is not None and value > found.high_c else "within"


def _unjudged(found: TemperatureNow) -> list[str]:
    return [NO_RANGE] if found.low_c is None and found.high_c is None else []


def _excursion(one: Excursion, tolerance: Tolerance) -> dict[str, Any]:
    species = tolerance.high_species if one.side == "above" else tolerance.low_species
    return {
        "start": _moment(one.start_s),
        "end": _moment(one.end_s),
        "start_known": one.start_known,
        "end_known": one.end_known,
        "side": one.side,
        "limit": one.limit_c,
        "species": species,
        "peak": one.peak_c,
        "peak_time": None if one.peak_s is None else _moment(one.peak_s),
        "degree_hours": one.degree_hours,
        "length": one.length_s / 3600,
    }


def _forecast(forecast: Forecast) -> dict[str, Any]:
    return {
        "side": forecast.side,
        "limit": forecast.limit_c,
        "at": _moment(forecast.at_s),
        "earliest": _moment(forecast.earliest_s),
        "latest": _moment(forecast.latest_s),
        "probability": forecast.probability,
    }


def _moment(time_s: float) -> datetime | None:
    """The moment of unix seconds; None for "never"."""
    if math.isinf(time_s):
        return None
    return EPOCH + timedelta(microseconds=round(time_s * 1e6))
