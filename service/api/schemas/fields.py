"""Marshmallow fields with one wording of refusals and their own description in OpenAPI."""

from __future__ import annotations

import math
import re
import zoneinfo
from collections.abc import Mapping, Sequence
from datetime import date, datetime, time, timedelta
from functools import cache
from typing import Any

import marshmallow as ma

from service.api.schemas.refusal import wrong
from service.times import (
    MOMENT_ALLOWED,
    MOMENT_PATTERN,
    SPAN_ALLOWED,
    SPAN_PATTERN,
    format_moment,
    format_span,
    parse_moment,
    parse_span,
)

MISSING = "is missing; it is required"
_MOST_DIGITS = len(str(2**53))


class Field(ma.fields.Field[Any]):
    """A field that says what it allows, in errors and in OpenAPI."""

    allowed = ""
    json_schema: Mapping[str, Any] = {}

    def __init__(self, doc: str = "", *, example: Any = None, **kwargs: Any) -> None:
        super().__init__(**kwargs)
        self.doc = doc
        self.example = example
        self.error_messages.update(required=MISSING, null=wrong(None, self.allowed))

    def openapi(self) -> dict[str, Any]:
        """The JSON Schema of the field's values."""
        schema = dict(self.json_schema)
        if self.doc:
            schema["description"] = self.doc
        if self.example is not None:
            schema["examples"] = [self.example]
        if self.allow_none and isinstance(schema.get("type"), str):
            schema["type"] = [schema["type"], "null"]
            if "enum" in schema:
                schema["enum"] = [*schema["enum"], None]
        return schema

    def refuse(self, value: object) -> ma.ValidationError:
        """The refusal of a value."""
        return ma.ValidationError(wrong(value, self.allowed))


class Number(Field):
    """A finite JSON number within limits."""

    def __init__(
        self,
        doc: str = "",
        *,
        low: float | None = None,
        high: float | None = None,
        above: float | None = None,
        **kwargs: Any,
    ) -> None:
        self.low, self.high, self.above = low, high, above
        self.allowed = "a number" + limits_text(low, high, above)
        super().__init__(doc, **kwargs)

    def openapi(self) -> dict[str, Any]:
        schema = super().openapi()
        limits = {"minimum": self.low, "maximum": self.high, "exclusiveMinimum": self.above}
        schema["type"] = ["number", "null"] if self.allow_none else "number"
        return schema | {key: limit for key, limit in limits.items() if limit is not None}

    def _deserialize(self, value: Any, attr: Any, data: Any, **kwargs: Any) -> float:
        number = finite(value)
        if number is None or not within(number, self.low, self.high, self.above):
            raise self.refuse(value)
        return number


class Whole(Field):
    """A whole number within limits; ``text`` where it comes as text, in a query."""

    def __init__(
        self, doc: str = "", *, low: int, high: int, text: bool = False, **kwargs: Any
    ) -> None:
        self.low, self.high, self.text = low, high, text
        self.allowed = "a whole number" + limits_text(low, high, None)
        self.json_schema = {"type": "integer", "minimum": low, "maximum": high}
        super().__init__(doc, **kwargs)

    def _deserialize(self, value: Any, attr: Any, data: Any, **kwargs: Any) -> int:
        if self.text and isinstance(value, str):
            digits = value.isascii() and value.isdigit() and len(value) <= _MOST_DIGITS
            value = int(value) if digits else value
        number = finite(value)
        if number is None or number != int(number) or not self.low <= number <= self.high:
            raise self.refuse(value)
        return int(number)


class Text(Field):
    """Text without control characters."""

    def __init__(
        self,
        doc: str = "",
        *,
        longest: int = 200,
        shortest: int = 0,
        lines: bool = False,
        **kwargs: Any,
    ) -> None:
        self.longest, self.shortest, self.lines = longest, shortest, lines
        self.allowed = f"text of {shortest} to {longest} characters, no control characters"
        self.json_schema = {"type": "string", "maxLength": longest}
        if shortest:
            self.json_schema["minLength"] = shortest
        self.json_schema["pattern"] = (
            r"^[^\u0000-\u0008\u000b\u000c\u000e-\u001f\u007f-\u009f]*$"
            if lines
            else r"^[^\u0000-\u001f\u007f-\u009f]*$"
        )
        super().__init__(doc, **kwargs)

    def _deserialize(self, value: Any, attr: Any, data: Any, **kwargs: Any) -> str:
        if not isinstance(value, str) or not self.shortest <= len(value) <= self.longest:
            raise self.refuse(value)
        if any(_forbidden(character, self.lines) for character in value):
            raise self.refuse(value)
        return value


class Name(Field):
    """A short name in topics and addresses."""

    allowed = "1 to 64 of a-z, 0-9 and -, starting with a letter or digit"
    json_schema: Mapping[str, Any] = {
        "type": "string",
        "pattern": "^[a-z0-9][a-z0-9-]*$",
        "minLength": 1,
        "maxLength": 64,
    }

    def _deserialize(self, value: Any, attr: Any, data: Any, **kwargs: Any) -> str:
        if not isinstance(value, str) or not is_name(value):
            raise self.refuse(value)
        return value


class Choice(Field):
    """One word of a few."""

    def __init__(self, doc: str = "", *, words: Sequence[str], **kwargs: Any) -> None:
        self.words = tuple(words)
        self.allowed = ", ".join(self.words)
        self.json_schema = {"type": "string", "enum": list(self.words)}
        super().__init__(doc, **kwargs)

    def _serialize(self, value: Any, attr: Any, obj: Any, **kwargs: Any) -> str | None:
        return None if value is None else str(value)

    def _deserialize(self, value: Any, attr: Any, data: Any, **kwargs: Any) -> str:
        if not isinstance(value, str) or value not in self.words:
            raise self.refuse(value)
        return value


class YesNo(Field):
    """A JSON boolean; in a query the word true or false."""

    allowed = "true or false"
    json_schema: Mapping[str, Any] = {"type": "boolean"}

    def __init__(self, doc: str = "", *, text: bool = False, **kwargs: Any) -> None:
        self.text = text
        super().__init__(doc, **kwargs)

    def _deserialize(self, value: Any, attr: Any, data: Any, **kwargs: Any) -> bool:
        if self.text:
            value = {"true": True, "false": False}.get(value, value)
        if not isinstance(value, bool):
            raise self.refuse(value)
        return value


class Moment(Field):
    """A moment: RFC 3339 with offset in, UTC with ``Z`` out."""

    allowed = MOMENT_ALLOWED
    json_schema: Mapping[str, Any] = {
        "type": "string",
        "format": "date-time",
        "pattern": MOMENT_PATTERN,
    }

    def _serialize(self, value: Any, attr: Any, obj: Any, **kwargs: Any) -> str | None:
        return None if value is None else format_moment(value)

    def _deserialize(self, value: Any, attr: Any, data: Any, **kwargs: Any) -> datetime:
        try:
            return parse_moment(value)
        except (ValueError, TypeError) as error:
            raise self.refuse(value) from error


class Span(Field):
    """A length of time: ISO 8601 or ``5m`` in, ISO 8601 out."""

    allowed = SPAN_ALLOWED
    json_schema: Mapping[str, Any] = {"type": "string", "pattern": SPAN_PATTERN}

    def _serialize(self, value: Any, attr: Any, obj: Any, **kwargs: Any) -> str | None:
        return None if value is None else format_span(value)

    def _deserialize(self, value: Any, attr: Any, data: Any, **kwargs: Any) -> timedelta:
        try:
            return parse_span(value)
        except (ValueError, TypeError) as error:
            raise self.refuse(value) from error


class SpanOf(Span):
    """A length of time that is a float on the Python side, counted in ``unit``."""

    def __init__(
        self,
        unit: timedelta,
        doc: str = "",
        *,
        longest: timedelta | None = None,
        zero: bool = False,
        **kwargs: Any,
    ) -> None:
        self.unit, self.longest, self.zero = unit, longest, zero
        if longest is not None:
            self.allowed = f"a duration up to {format_span(longest)}, such as PT5M, P7D, 5m or 7d"
        super().__init__(doc, **kwargs)

    def _serialize(self, value: Any, attr: Any, obj: Any, **kwargs: Any) -> str | None:
        return None if value is None else format_span(value * self.unit)

    def _deserialize(self, value: Any, attr: Any, data: Any, **kwargs: Any) -> Any:
        if self.zero and value in ("P0D", "PT0S", "0s"):
            return 0.0
        span = super()._deserialize(value, attr, data, **kwargs)
        if self.longest is not None and span > self.longest:
            raise self.refuse(value)
        return span / self.unit


class Day(Field):
    """A calendar day, ``YYYY-MM-DD``."""

    allowed = "a day between 1970 and 2199, such as 2025-03-01"
    json_schema: Mapping[str, Any] = {
        "type": "string",
        "format": "date",
        "pattern": MOMENT_PATTERN,
    }

    def _serialize(self, value: Any, attr: Any, obj: Any, **kwargs: Any) -> str | None:
        return None if value is None else value.isoformat()

    def _deserialize(self, value: Any, attr: Any, data: Any, **kwargs: Any) -> date:
        if not isinstance(value, str) or len(value) != 10:
            raise self.refuse(value)
        try:
            day = date.fromisoformat(value)
        except ValueError as error:
            raise self.refuse(value) from error
        if not 1970 <= day.year < 2200:
            raise self.refuse(value)
        return day


class TimeOfDay(Field):
    """A local time of day, ``HH:MM`` or ``HH:MM:SS``."""

    allowed = "a time of day such as 10:30"
    pattern = "^([01][0-9]|2[0-3]):[0-5][0-9](:[0-5][0-9])?$"
    json_schema: Mapping[str, Any] = {"type": "string", "pattern": pattern}

    def _serialize(self, value: Any, attr: Any, obj: Any, **kwargs: Any) -> str | None:
        if value is None:
            return None
        return str(value.isoformat("seconds" if value.second else "minutes"))

    def _deserialize(self, value: Any, attr: Any, data: Any, **kwargs: Any) -> time:
        if not isinstance(value, str) or not re.fullmatch(self.pattern, value):
            raise self.refuse(value)
        return time.fromisoformat(value)


class TimeZone(Field):
    """A name of the IANA time zone database."""

    allowed = "a name of the IANA time zone database, such as Europe/Lisbon"
    json_schema: Mapping[str, Any] = {"type": "string"}

    def _deserialize(self, value: Any, attr: Any, data: Any, **kwargs: Any) -> str:
        if not isinstance(value, str) or value not in _time_zones():
            raise self.refuse(value)
        return value


class Facts(Field):
    """A JSON object of free facts: names to numbers, text, true or false."""

    allowed = "an object of up to 50 names with a number, a text, true or false each"
    json_schema: Mapping[str, Any] = {
        "type": "object",
        "additionalProperties": {"type": ["number", "string", "boolean", "null"]},
        "maxProperties": 50,
    }

    def _serialize(self, value: Any, attr: Any, obj: Any, **kwargs: Any) -> dict[str, Any] | None:
        return None if value is None else dict(value)

    def _deserialize(self, value: Any, attr: Any, data: Any, **kwargs: Any) -> dict[str, Any]:
        if not isinstance(value, dict) or len(value) > 50:
            raise self.refuse(value)
        for name, fact in value.items():
            numeric = isinstance(fact, int | float) and not isinstance(fact, bool)
            plain = fact is None or isinstance(fact, bool | str)
            if not (plain or (numeric and finite(fact) is not None)):
                raise ma.ValidationError({name: [wrong(fact, "a number, text, true or false")]})
            for text in (name, fact if isinstance(fact, str) else ""):
                if len(text) > 500 or any(_forbidden(character, True) for character in text):
                    raise ma.ValidationError({name: [wrong(text, "up to 500 plain characters")]})
        return value


def finite(value: object) -> float | None:
    """The float of a finite JSON number; None for anything else."""
    if isinstance(value, bool) or not isinstance(value, int | float):
        return None
    try:
        number = float(value)
    except OverflowError:
        return None
    return number if math.isfinite(number) else None


def within(number: float, low: float | None, high: float | None, above: float | None) -> bool:
    """Whether a number lies within inclusive ``low``, ``high`` and exclusive ``above``."""
    return not (
        (low is not None and number < low)
        or (high is not None and number > high)
        or (above is not None and number <= above)
    )


def limits_text(low: float | None, high: float | None, above: float | None) -> str:
    """The limits of a number for a message, with a leading blank; empty without limits."""
    if above is not None:
        return f" above {above:g}" + (f" and up to {high:g}" if high is not None else "")
    if low is not None and high is not None:
        return f" from {low:g} to {high:g}"
    if low is not None:
        return f" from {low:g}"
    return f" up to {high:g}" if high is not None else ""


def is_name(text: str) -> bool:
    """Whether a text is a short name: a-z, 0-9 and -."""
    return (
        0 < len(text) <= 64
        and text[0] != "-"
        and all(c in "abcdefghijklmnopqrstuvwxyz0123456789-" for c in text)
    )


def _forbidden(character: str, lines: bool) -> bool:
    code = ord(character)
    if lines and character in "\n\r\t":
        return False
    return code < 0x20 or 0x7F <= code < 0xA0 or 0xD800 <= code < 0xE000


@cache
def _time_zones() -> frozenset[str]:
    return frozenset(zoneinfo.available_timezones())
