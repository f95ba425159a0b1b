"""``/v1/tanks/{tank}/sensors``: the series of a tank, each with its newest reading."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import timedelta
from typing import Any, Final

from ingest.process import Reason
from service.api.context import Context, current, now
from service.api.http.blueprint import Blueprint
from service.api.http.path_parameters import TANK
from service.api.resources.readings.schemas import FlagsField
from service.derive.sensors.choice import ChosenSeries, Why, chosen_series, considered
from service.derive.sensors.device_clock import clock_text
from service.derive.sensors.first import first_sensors
from service.derive.sensors.slips import slips
from service.quantities import QUANTITIES
from service.registry.models.ingest import Rejection
from service.registry.models.tank import Tank
from service.schemas.answers import AnswerSchema, With
from service.schemas.base import Items, Nested
from service.schemas.fields import Choice, Number, Text, Whole, YesNo
from service.schemas.quantities import Measure
from service.schemas.readings import CanonicalUnit, ReadingTime
from service.schemas.times import Moment
from service.store import SeriesInfo, SeriesKey

REFUSALS_SHOWN_FOR: Final = timedelta(days=1)

blueprint = Blueprint(
    "sensors",
    __name__,
    url_prefix="/v1/tanks/<tank>/sensors",
    description="The sensors of a tank.",
)


class LastSchema(AnswerSchema):
    """The newest reading of a series, believed or not."""

    time = ReadingTime(attribute="time_us")
    value = Number()
    unit = CanonicalUnit("UCUM.")
    flags = FlagsField()


class ClockSchema(AnswerSchema):
    """A device's clock that is off by a constant."""

    fast = Measure("s", "So much fast; below 0: slow.", attribute="fast_s")
    since = Moment("When it was recognised.")
    text = Text("In words.")


class SensorSchema(AnswerSchema):
    """One series: the readings of one quantity by one sensor."""

    quantity = Choice(words=list(QUANTITIES), attribute="key.quantity")
    sensor = Text(attribute="key.sensor")
    believed = YesNo("Derived values are taken from it now.")
    why = Choice(
        "Why it is believed: somebody chose it (`sensors` of the tank), it is called `main`, it "
        "was there first, or it stands in for one that gives no usable reading. Null: it is not.",
        words=list(Why),
        allow_none=True,
    )
    last = Nested(LastSchema)
    clock = Nested(
        ClockSchema,
        "Its device's clock, where it is off by a known constant: times are corrected; null: "
        "nothing is known against it.",
        allow_none=True,
    )


class SensorsSchema(AnswerSchema):
    """The sensors of a tank."""

    tank = Text()
    sensors = Items(SensorSchema)
    count = Whole("How many there are.", low=0, high=2**53)
    most = Whole(
        "How many there may be (`ingest.sensors_per_tank`). Readings of further ones are rejected "
        "as `too-many-sensors`.",
        low=1,
        high=2**53,
    )
    refused = Text(
        "Why a new one was rejected last; null: none within the last day.",
        allow_none=True,
        longest=2000,
    )
    next = Text(allow_none=True)


@blueprint.at("", "GET", parameters=TANK)
@blueprint.answers(200, SensorsSchema)
def sensors(tank: str) -> dict[str, Any]:
    """The sensors of a tank, each with its newest reading"""
    context = current()
    found = context.registry.tank(tank)
    series = context.store.series(tank)
    trusted = believed_sensors(context, found, series)
    clocks = {
        (one.quantity, one.sensor): With(one, text=clock_text(one, found, now()))
        for one in context.registry.device_clocks(tank)
    }
    shown = [
        With(
            info,
            believed=info.key in trusted,
            why=trusted[info.key].why if info.key in trusted else None,
            clock=clocks.get((info.key.quantity, info.key.sensor)),
        )
        for info in series
    ]
    refusal = last_refusal(context, tank)
    return {
        "tank": tank,
        "sensors": shown,
        "count": len(series),
        "most": context.config.ingest.sensors_per_tank,
        "refused": None if refusal is None else refusal.detail,
        "next": None,
    }


def last_refusal(context: Context, tank: str) -> Rejection | None:
    """The last rejection of a new sensor of a tank, if it is no older than a day."""
    since = now() - REFUSALS_SHOWN_FOR
    for one in context.registry.rejections(tank=tank):
        if one.reason_code == Reason.TOO_MANY_SENSORS and one.time >= since:
            return one
    return None


def believed_sensors(
    context: Context, tank: Tank, series: Sequence[SeriesInfo]
) -> dict[SeriesKey, ChosenSeries]:
    """The series that derived values are taken from now, each with why."""
    quantities = {info.key.quantity for info in series}
    infos = considered(tank, series)
    single = slips(context.store, infos, now())
    first = first_sensors(tank, context.registry, context.store, infos)
    chosen = [chosen_series(tank, name, infos, now(), single, first) for name in quantities]
    return {one.info.key: one for one in chosen if one.info is not None}
