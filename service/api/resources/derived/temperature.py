"""``/v1/tanks/{tank}/temperature`` and its excursions."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

from service.api.context import current, now
from service.api.http.blueprint import Blueprint
from service.api.http.limits.read_budget import budgeted_store
from service.api.http.pagination import SpanSchema, span_of
from service.api.http.path_parameters import TANK
from service.derive.inhabitants.tolerance import Tolerance
from service.derive.loader import load_range_exits, load_temperature
from service.derive.models.quality import Quality
from service.derive.models.temperature import TemperatureNow
from service.derive.temperature import excursions_of, range_notes, temperature_now
from service.registry.species.ranges import SharedRange
from service.schemas.answers import AnswerSchema, With
from service.schemas.base import Items, Nested
from service.schemas.fields import Choice, Number, Text, YesNo
from service.schemas.quantities import Measure
from service.schemas.ranges import Range
from service.schemas.readings import REASONS, ReadingTime, UnixTime
from service.schemas.times import Moment

STATES = ("below", "within", "above", "unknown")
TOLERABLE, COMFORTABLE = "tolerable", "comfortable"
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
        "Cel", "What all animals tolerate; null ends where nothing limits it.", open_ends=True
    )
    low_species = Text("Whose limit the lower end is.", attribute="tolerable.low_species")
    high_species = Text("Whose limit the upper end is.", attribute="tolerable.high_species")
    state = Choice("Where it lies against that: outside there are warnings.", words=STATES)
    comfortable = Range("Cel", "Where all animals are comfortable, likewise.", open_ends=True)
    comfort = Choice("Where it lies against that: outside there are remarks.", words=STATES)
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


class ExcursionOptionsSchema(SpanSchema):
    """Which stretch of time, and against which limits."""

    against = Choice(
        "Limits to judge by; default: what the animals tolerate.", words=[TOLERABLE, COMFORTABLE]
    )


class ExcursionsSchema(AnswerSchema):
    """Excursions, oldest first."""

    tank = Text()
    start = Moment()
    end = Moment()
    against = Choice("The limits that were judged by.", words=[TOLERABLE, COMFORTABLE])
    range = Range("Cel", "Those limits.", ends=("low_c", "high_c"), open_ends=True)
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
        range=_ends(found.tolerable),
        state=state_of(found, found.tolerable),
        comfortable=_ends(found.comfortable),
        comfort=state_of(found, found.comfortable),
        reasons=[*found.reasons, *_unjudged(found.tolerable)],
    )


@blueprint.at("/excursions", "GET", parameters=TANK)
@blueprint.query(ExcursionOptionsSchema)
@blueprint.answers(200, ExcursionsSchema)
def excursions(options: dict[str, Any], tank: str) -> With:
    """When temperature left what all animals tolerate; default: the last seven days

    `against=comfortable` asks when it left where they are comfortable.
    """
    context = current()
    found = context.registry.tank(tank)
    start, end = span_of(options, _WEEK)
    against = options.get("against", TOLERABLE)

    def limits_of(tolerance: Tolerance) -> SharedRange:
        return tolerance.comfortable if against == COMFORTABLE else tolerance.tolerable

    store = budgeted_store(start, "a shorter time")
    inputs = load_range_exits(found, context.registry, store, start, end, limits_of)
    limits = limits_of(inputs.tolerance)
    return With(
        limits,
        tank=tank,
        start=start,
        end=end,
        against=against,
        excursions=[
            With(one, species=limits.species(one.side))
            for one in excursions_of(found, inputs.series("temperature"), limits)
        ],
        reasons=[*range_notes(inputs.tolerance), *_unjudged(inputs.tolerance.tolerable)],
        next=None,
    )


def state_of(found: TemperatureNow, limits: SharedRange) -> str:
    """Where the present temperature lies; on a limit is within; unknown without any limit."""
    if found.reading is None or found.quality == Quality.STALE or limits.is_open:
        return "unknown"
    return limits.side_of(found.reading.value) or "within"


def _ends(limits: SharedRange) -> tuple[float | None, float | None]:
    return limits.low_c, limits.high_c


def _unjudged(limits: SharedRange) -> list[str]:
    return [NO_RANGE] if limits.is_open else []
