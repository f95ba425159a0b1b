"""Fields that are objects by name: the sensor to believe, overrides of thresholds."""

from __future__ import annotations

import re
from collections.abc import Mapping
from types import MappingProxyType
from typing import Any, Final, Protocol

import marshmallow as ma

from service.errors import Refusal
from service.quantities import QUANTITIES
from service.schemas.base import CountRefusal
from service.schemas.fields import Field, finite, is_control, limits_text
from service.schemas.free_json import Facts

_SENSOR: Final = r"[^\s/+#]{1,64}"
_SENSOR_PATTERN: Final = (
    r"^[^\u0000-\u0020/+#\u007f-\u00a0\u1680\u2000-\u200a\u2028\u2029\u202f\u205f\u3000]+$"
)
"""The same without control characters, as JSON Schema can say it."""

_THRESHOLD: Final = r"[a-z][a-z0-9_]{0,63}"


MOST_MEMBERS: Final = 200


def check_count(value: Mapping[str, Any], allowed: str) -> None:
    """Refuse an object of more members than any of these fields has, before one is looked at.

    Raises:
        marshmallow.ValidationError: names how many there are.
    """
    if len(value) > MOST_MEMBERS:
        raise ma.ValidationError([CountRefusal(len(value), "members", allowed)])


def _is_sensor(text: str) -> bool:
    return bool(re.fullmatch(_SENSOR, text)) and not any(is_control(one, False) for one in text)


class SensorChoice(Field):
    """Which sensor to believe: quantity -> sensor."""

    allowed = f"an object with a sensor's name each for some of {', '.join(QUANTITIES)}"
    json_schema: Mapping[str, Any] = {
        "type": "object",
        "properties": {
            name: {"type": "string", "minLength": 1, "maxLength": 64, "pattern": _SENSOR_PATTERN}
            for name in QUANTITIES
        },
        "additionalProperties": False,
    }

    def _serialize(self, value: Any, attr: Any, obj: Any, **kwargs: Any) -> dict[str, str]:
        return dict(value)

    def _deserialize(self, value: Any, attr: Any, data: Any, **kwargs: Any) -> dict[str, str]:
        if not isinstance(value, Mapping):
            raise self.refuse(value)
        check_count(value, self.allowed)
        faults: dict[str, list[str]] = {}
        for name, sensor in value.items():
            if name not in QUANTITIES:
                faults[name] = [f"is not known; allowed: {', '.join(QUANTITIES)}"]
            elif not isinstance(sensor, str) or not _is_sensor(sensor):
                faults[name] = [Refusal(sensor, "1 to 64 characters, no blank, /, + or #")]
        if faults:
            raise ma.ValidationError(faults)
        return dict(value)


class Equipment(Facts):
    """Free facts of a tank's equipment, but for what has a field of its own that is acted on."""

    elsewhere: Mapping[str, str] = MappingProxyType(
        {"cylinder": '`cylinder`, as in {"content": {"value": 2, "unit": "kg"}, "put_on": DAY}'}
    )
    """Beginning of a name -> where it belongs: here it would be stored and change nothing."""

    def _check(self, value: Any) -> None:
        super()._check(value)
        self._refuse_elsewhere(value)

    def _deserialize(self, value: Any, attr: Any, data: Any, **kwargs: Any) -> dict[str, Any]:
        found = super()._deserialize(value, attr, data, **kwargs)
        self._refuse_elsewhere(found)
        return found

    def _refuse_elsewhere(self, value: Mapping[str, Any]) -> None:
        faults: dict[str, list[str]] = {}
        for name, fact in value.items():
            for beginning, place in self.elsewhere.items():
                if name.casefold().startswith(beginning):
                    faults[name] = [Refusal(fact, f"nothing here; it belongs in {place}")]
        if faults:
            raise ma.ValidationError(faults)


class Limited(Protocol):
    """What is known of a threshold: its subject, limits, unit, default and meaning."""

    @property
    def low(self) -> float: ...
    @property
    def high(self) -> float: ...
    @property
    def default(self) -> float: ...
    @property
    def unit(self) -> str: ...
    @property
    def text(self) -> str: ...
    @property
    def subject(self) -> str: ...


class Thresholds(Field):
    """Overrides of the thresholds of practice: name -> number.

    Attributes:
        known: the thresholds there are; None where only the form of the names can be checked, as
            in the registry, which thresholds of another version may have written.
    """

    allowed = "an object with a number each for some thresholds of docs/practice.md"

    def __init__(
        self, doc: str = "", *, known: Mapping[str, Limited] | None = None, **kwargs: Any
    ) -> None:
        self.known = known
        self.json_schema: Mapping[str, Any] = {
            "type": "object",
            "additionalProperties": {"type": "number"} if known is None else False,
        } | ({} if known is None else {"properties": _properties(known)})
        super().__init__(doc, **kwargs)

    def _serialize(self, value: Any, attr: Any, obj: Any, **kwargs: Any) -> dict[str, float]:
        return dict(value)

    def _deserialize(self, value: Any, attr: Any, data: Any, **kwargs: Any) -> dict[str, float]:
        if not isinstance(value, Mapping):
            raise self.refuse(value)
        check_count(value, self.allowed)
        faults: dict[str, list[str]] = {}
        found: dict[str, float] = {}
        for name, given in value.items():
            try:
                found[name] = self._override(name, given)
            except ma.ValidationError as error:
                faults[name] = list(error.messages)
        if faults:
            raise ma.ValidationError(faults)
        return found

    def _override(self, name: str, given: object) -> float:
        number = finite(given)
        if self.known is None:
            if not re.fullmatch(_THRESHOLD, name):
                raise ma.ValidationError([Refusal(name, "a name of a-z, 0-9 and _")])
            if number is None:
                raise ma.ValidationError([Refusal(given, "a finite number")])
            return number
        one = self.known.get(name)
        if one is None:
            raise ma.ValidationError([f"is not known; allowed: {', '.join(self.known)}"])
        if number is None or not one.low <= number <= one.high:
            allowed = f"a number{limits_text(one.low, one.high, None, one.unit)}"
            raise ma.ValidationError([Refusal(given, allowed)])
        return number


def _properties(known: Mapping[str, Limited]) -> dict[str, Any]:
    return {
        name: {
            "type": "number",
            "minimum": one.low,
            "maximum": one.high,
            "description": f"{one.text} ({one.unit}; default {one.default:g}).",
            "x-subject": one.subject,
        }
        for name, one in known.items()
    }
