"""``/v1/tanks/{tank}/temperature`` and its excursions."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

from service.api.context import current, now
from service.api.http.blueprint import Blueprint
from service.api.http.pagination import SpanSchema, span_of
from service.api.http.path_parameters import TANK
from service.derive.loader import load_range_exits, load_temperature
from service.derive.models import Quality, TemperatureNow
from service.derive.temperature import excursions_of, temperature_now
from service.derive.tolerance import Tolerance
from service.schemas.answers import AnswerSchema, With
from service.schemas.base import Items, Nested
from service.schemas.fields import Choice, Number, Text, YesNo
from service.schemas.quantities import Measure
from service.schemas.ranges import Range
from service.schemas.readings import REASONS, ReadingTime, UnixTime
from service.schemas.times import Moment
from service.science.temperature.excursions import Excursion

STATES = ("below", "within", "above", "unknown")
NO_RANGE = "no animals with a known range: nothing to judge temperature by"
_WEEK = timedelta(days=7)

blueprint = Blueprint(
    "temperature",
    __name__,
    url_prefix="/v1/tanks/<tank>/temperature",
    description="The temperature of a tank against what its animals share.",
)


class ForecastSchema(AnswerSchema):
    """When a limit will be crossed if things stay as they are."""

    side = Choice(words=["above", "below"])
    limit = Measure("Cel", attribute="limit_c")
    at = UnixTime("Median; null: not within half a day.", attribute="at_s", allow_none=True)
    earliest = UnixTime("2.5 % quantile.", attribute="earliest_s", allow_none=True)
    latest = UnixTime("97.5 % quantile.", attribute="latest_s", allow_none=True)
    probability = Number("Of crossing within half a day.", low=0, high=1)


class TankTemperatureSchema(AnswerSchema):
    """The temperature of a tank now."""

    tank = Text()
    time = ReadingTime(
        "Of the reading; null when there is none.", attribute="reading.time_us", allow_none=True
    )
    temperature = Measure("Cel", "Null when unknown.", allow_none=True)
    sensor = Text(attribute="reading.sensor", allow_none=True)
    rate = Measure("K/h", "Over the last hour.", attribute="rate_k_h", allow_none=True)
    range = Range(
        "Cel",
        "What all animals share; null ends where nothing limits it.",
        ends=("low_c", "high_c"),
        open_ends=True,
    )
    low_species = Text("Whose limit the lower end is.")
    high_species = Text("Whose limit the upper end is.")
    state = Choice("Where it lies.", words=STATES)
    quality = Choice("How far it can be trusted.", words=list(Quality))
    forecast = Nested(ForecastSchema, allow_none=True)
    reasons = Items(Text(longest=1000), REASONS)


class HoursOfSeconds(Measure):
    """Hours; seconds on the Python side."""

    def _serialize(self, value: Any, attr: Any, obj: Any, **kwargs: Any) -> dict[str, Any] | None:
        return super()._serialize(value / 3600, attr, obj, **kwargs)


class ExcursionSchema(AnswerSchema):
    """An interval in which temperature lay outside the range."""

    start = UnixTime(attribute="start_s")
    end = UnixTime(attribute="end_s")
    start_known = YesNo("False: it may have begun earlier.")
    end_known = YesNo("False: it may last longer, or still.")
    side = Choice(words=["above", "below"])
    limit = Measure("Cel", attribute="limit_c")
    species = Text("Whose limit it is.")
    peak = Measure("Cel", "The temperature furthest outside.", attribute="peak_c")
    peak_time = UnixTime(attribute="peak_s", allow_none=True)
    degree_hours = Measure("K.h", "Integral of the distance outside.")
    length = HoursOfSeconds("h", attribute="length_s")


class ExcursionsSchema(AnswerSchema):
    """Excursions, oldest first."""

    tank = Text()
    start = Moment()
    end = Moment()
    range = Range("Cel", ends=("low_c", "high_c"), open_ends=True)
    low_species = Text()
    high_species = Text()
    excursions = Items(ExcursionSchema)
    reasons = Items(Text(longest=1000), REASONS)
    next = Text(allow_none=True)


@blueprint.at("", "GET", parameters=TANK)
@blueprint.answers(200, TankTemperatureSchema)
def temperature(tank: str) -> With:
    """Temperature now, its rate, and when a limit will be crossed"""
    context = current()
    inputs = load_temperature(context.registry.tank(tank), context.registry, context.store, now())
    found = temperature_now(inputs)
    known = found.reading is not None and found.quality != Quality.STALE
    return With(
        found,
        tank=tank,
        temperature=found.reading.value if found.reading is not None and known else None,
        state=state_of(found),
        reasons=[*found.reasons, *_unjudged(found)],
    )


@blueprint.at("/excursions", "GET", parameters=TANK)
@blueprint.query(SpanSchema)
@blueprint.answers(200, ExcursionsSchema)
def excursions(options: dict[str, Any], tank: str) -> With:
    """When temperature left the range that all animals share; default: the last seven days"""
    context = current()
    found = context.registry.tank(tank)
    start, end = span_of(options, _WEEK)
    inputs = load_range_exits(found, context.registry, context.store, start, end)
    tolerance = inputs.tolerance
    reasons = [tolerance.contradiction] if tolerance.contradiction else []
    if tolerance.low_c is None and tolerance.high_c is None and not reasons:
        reasons.append(NO_RANGE)
    return With(
        tolerance,
        tank=tank,
        start=start,
        end=end,
        excursions=[
            With(one, species=_species(one, tolerance))
            for one in excursions_of(found, inputs.series("temperature"), tolerance)
        ],
        reasons=reasons,
        next=None,
    )


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


def _species(one: Excursion, tolerance: Tolerance) -> str:
    """Whose limit was exceeded."""
    return tolerance.high_species if one.side == "above" else tolerance.low_species
