"""Fields of a route: which MQTT topic feeds which tank and quantity."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final

import marshmallow as ma

from service.config import RouteConfig
from service.config.route_schema import FORMATS
from service.errors import Refusal
from service.quantities import QUANTITIES
from service.registry.fields.named import MOST_MEMBERS, check_count
from service.schemas.base import ValueSchema
from service.schemas.fields import Choice, Field, Name, Text
from service.schemas.quantities import Measure
from service.schemas.times import TimeZone

MOST_ROUTES: Final = 500
TOPIC_LENGTH: Final = 256
PATH_LENGTH: Final = 256
WORD_LENGTH: Final = 64
_SENSOR_LETTERS: Final = "abcdefghijklmnopqrstuvwxyz0123456789_-"
_MONTH_S: Final = 86_400.0 * 31


class SensorName(Field):
    """A sensor's name as readings have it."""

    allowed = "1 to 64 of a-z, 0-9, - and _"
    json_schema: Mapping[str, Any] = {
        "type": "string",
        "pattern": "^[a-z0-9_-]+$",
        "minLength": 1,
        "maxLength": 64,
    }

    def _deserialize(self, value: Any, attr: Any, data: Any, **kwargs: Any) -> str:
        if not isinstance(value, str) or not 0 < len(value) <= 64:
            raise self.refuse(value)
        if any(letter not in _SENSOR_LETTERS for letter in value):
            raise self.refuse(value)
        return value


class QuantityNames(Field):
    """The topic's own words for quantities: word -> quantity."""

    allowed = f"an object of words, each with one of {', '.join(QUANTITIES)}"
    json_schema: Mapping[str, Any] = {
        "type": "object",
        "propertyNames": {"minLength": 1, "maxLength": WORD_LENGTH},
        "additionalProperties": {"type": "string", "enum": list(QUANTITIES)},
        "maxProperties": MOST_MEMBERS,
    }

    def _serialize(self, value: Any, attr: Any, obj: Any, **kwargs: Any) -> dict[str, str]:
        return dict(value)

    def _deserialize(self, value: Any, attr: Any, data: Any, **kwargs: Any) -> dict[str, str]:
        if not isinstance(value, Mapping):
            raise self.refuse(value)
        check_count(value, self.allowed)
        faults: dict[str, list[str]] = {
            str(word)[:WORD_LENGTH]: [Refusal(quantity, ", ".join(QUANTITIES))]
            for word, quantity in value.items()
            if not isinstance(quantity, str)
            or quantity not in QUANTITIES
            or not 0 < len(word) <= WORD_LENGTH
        }
        if faults:
            raise ma.ValidationError(faults)
        return dict(value)


class RouteSchema(ValueSchema):
    """Which topic feeds which tank and quantity."""

    makes = RouteConfig

    topic = Text(
        "MQTT topic; `+` and `#` as in MQTT, `{tank}`, `{quantity}` and `{sensor}` name a level.",
        shortest=1,
        longest=TOPIC_LENGTH,
        required=True,
    )
    tank = Name("Where the topic does not name it.", allow_none=True)
    quantity = Choice("Where the topic does not name it.", words=list(QUANTITIES), allow_none=True)
    sensor = SensorName(
        "Where neither topic nor payload names it; null: `main`.",
        hint="empty: main",
        allow_none=True,
    )
    format = Choice("How the payload is read.", words=FORMATS)
    path = Text(
        "Dotted path of the value in a JSON payload, such as `data.0.value`.",
        shortest=1,
        longest=PATH_LENGTH,
        allow_none=True,
    )
    time_path = Text("… of the device's time.", shortest=1, longest=PATH_LENGTH, allow_none=True)
    sequence_path = Text(
        "… of its sequence number.", shortest=1, longest=PATH_LENGTH, allow_none=True
    )
    unit = Text(
        "Of the value, where the payload has none; null: the canonical one.",
        hint="empty: as usual",
        shortest=1,
        longest=40,
        allow_none=True,
    )
    names = QuantityNames("The topic's own words for quantities.")
    clock_offset = Measure(
        "s",
        "The device's clock is so much fast; below 0: slow.",
        low=-_MONTH_S,
        high=_MONTH_S,
        attribute="clock_offset_s",
    )
    time_zone = TimeZone("The device sends the time of this zone; null: UTC.", allow_none=True)
