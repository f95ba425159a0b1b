"""What each key of ``[[route]]`` and ``[[sensor]]`` may be."""

from __future__ import annotations

import zoneinfo
from typing import Unpack

from marshmallow import ValidationError
from marshmallow import fields as f
from marshmallow.validate import OneOf

from service.config.fields import Section, Words, in_words, number, one_of, text, whole_text
from service.config.values import RouteConfig, SensorConfig
from service.quantities import QUANTITIES

FORMATS = ("auto", "number", "json", "senml", "line")


def _check_zone(name: str) -> None:
    if name not in zoneinfo.available_timezones():
        raise ValidationError("is not known")


_TANK = ("a tank id: 1 to 64 of a-z, 0-9 and -", r"[a-z0-9-]{1,64}")
_SENSOR = ("1 to 64 of a-z, 0-9, - and _", r"[a-z0-9_-]{1,64}")


def _quantity(**words: Unpack[Words]) -> f.String:
    return f.String(
        validate=OneOf(list(QUANTITIES)),
        allow_none=True,
        metadata=in_words(", ".join(QUANTITIES), words),
    )


def _clock_offset_s(**words: Unpack[Words]) -> f.Float:
    return number(-86_400 * 31, 86_400 * 31, "s", **words)


def _zone(**words: Unpack[Words]) -> f.String:
    return f.String(
        validate=_check_zone,
        allow_none=True,
        metadata=in_words("a name of the IANA time zone database, such as Europe/Lisbon", words),
    )


class RouteSchema(Section):
    target = RouteConfig
    topic = f.String(
        required=True,
        validate=whole_text(r"[^\s].{0,255}"),
        metadata=in_words(
            "an MQTT topic filter; {tank}, {quantity}, {sensor} name a level",
            {
                "about": "foreign topics; as many routes as you need",
                "example": "shed/{tank}/{quantity}/state",
            },
        ),
    )
    tank = text(*_TANK, none=True, about="where the topic does not name it", example="reed")
    quantity = _quantity(about="likewise", example="temperature")
    sensor = text(*_SENSOR, none=True, about="likewise; without it: main", example="glass-2")
    format = one_of(*FORMATS, about="auto, number, json, senml or line", example="json")
    path = text(
        "a dotted path such as data.temperature",
        none=True,
        about="of the value in a JSON payload",
        example="data.value",
    )
    time_path = text(
        "a dotted path such as data.time",
        none=True,
        about="of the device's time",
        example="data.time",
    )
    sequence_path = text(
        "a dotted path such as data.count",
        none=True,
        about="of a number that differs from message to message",
        example="data.count",
    )
    unit = text(
        "a unit such as degF", none=True, about="of a value that comes without one", example="degF"
    )
    names = f.Dict(
        keys=f.String(),
        values=f.String(validate=OneOf(list(QUANTITIES))),
        metadata=in_words(
            f"WORD = one of {', '.join(QUANTITIES)}",
            {
                "about": "the topic's words for quantities",
                "example": {"temp": "temperature", "acidity": "ph"},
            },
        ),
    )
    clock_offset_s = _clock_offset_s(about="the device's clock is so much fast; below 0: slow")
    time_zone = _zone(
        about="the device sends the time of this zone in place of UTC", example="Europe/Lisbon"
    )


class SensorSchema(Section):
    target = SensorConfig
    tank = text(
        *_TANK,
        required=True,
        about="one sensor's clock; counts before that of its route",
        example="reed",
    )
    sensor = text(*_SENSOR, required=True, about="as its readings name it", example="glass-2")
    quantity = _quantity(about="else all that it measures", example="ph")
    clock_offset_s = _clock_offset_s(about="its clock is so much fast; below 0: slow")
    time_zone = _zone(
        about="it sends the time of this zone in place of UTC", example="Europe/Lisbon"
    )
