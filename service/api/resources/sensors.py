"""``/v1/tanks/{tank}/sensors``: the series of a tank, each with its newest reading."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from service.api.context import current, now
from service.api.http.blueprint import Blueprint
from service.api.http.path_parameters import TANK
from service.api.resources.readings.schemas import FlagsField
from service.derive.sensor_choice import chosen_series, considered
from service.registry.models import Tank
from service.schemas.answers import AnswerSchema, With
from service.schemas.base import Items, Nested
from service.schemas.fields import Choice, Number, Text, YesNo
from service.schemas.readings import CanonicalUnit, ReadingTime
from service.store import SeriesInfo, SeriesKey
from service.units import QUANTITIES

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


class SensorSchema(AnswerSchema):
    """One series: the readings of one quantity by one sensor."""

    quantity = Choice(words=list(QUANTITIES), attribute="key.quantity")
    sensor = Text(attribute="key.sensor")
    believed = YesNo("Derived values are taken from it now.")
    last = Nested(LastSchema)


class SensorsSchema(AnswerSchema):
    """The sensors of a tank."""

    tank = Text()
    sensors = Items(SensorSchema)
    next = Text(allow_none=True)


@blueprint.at("", "GET", parameters=TANK)
@blueprint.answers(200, SensorsSchema)
def sensors(tank: str) -> dict[str, Any]:
    """The sensors of a tank, each with its newest reading"""
    context = current()
    found = context.registry.tank(tank)
    series = context.store.series(tank)
    trusted = _believed(found, series)
    shown = [With(info, believed=info.key in trusted) for info in series]
    return {"tank": tank, "sensors": shown, "next": None}


def _believed(tank: Tank, series: Sequence[SeriesInfo]) -> set[SeriesKey]:
    quantities = {info.key.quantity for info in series}
    infos = considered(tank, series)
    chosen = [chosen_series(tank, name, infos, now()) for name in quantities]
    return {one.info.key for one in chosen if one.info is not None}
