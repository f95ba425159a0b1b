"""Fields of times, lengths of time, days and time zones."""

from __future__ import annotations

import re
import zoneinfo
from collections.abc import Mapping
from datetime import date, datetime, time, timedelta
from functools import cache
from typing import Any, Final

import marshmallow as ma

from service.errors import Refusal
from service.schemas.fields import Field, finite, limits_text, within
from service.times import (
    EARLIEST,
    LATEST,
    MOMENT_ALLOWED,
    MOMENT_PATTERN,
    SPAN_ALLOWED,
    SPAN_PATTERN,
    format_moment,
    format_span,
    parse_moment,
    parse_span,
)


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
        if not isinstance(value, str):
            raise self.refuse(value)
        try:
            return parse_moment(value)
        except ValueError as error:
            raise self.refuse(value) from error

    def _check(self, value: Any) -> None:
        if not isinstance(value, datetime) or value.tzinfo is None:
            raise ma.ValidationError([Refusal(value, "a date and time with a time zone")])
        if not EARLIEST <= value < LATEST:
            raise self.refuse(value.isoformat())


class Span(Field):
    """A length of time: ISO 8601 or ``5m`` in, ISO 8601 out."""

    allowed = SPAN_ALLOWED
    json_schema: Mapping[str, Any] = {"type": "string", "pattern": SPAN_PATTERN}

    def _serialize(self, value: Any, attr: Any, obj: Any, **kwargs: Any) -> str | None:
        return None if value is None else format_span(value)

    def _deserialize(self, value: Any, attr: Any, data: Any, **kwargs: Any) -> timedelta:
        if not isinstance(value, str):
            raise self.refuse(value)
        try:
            return parse_span(value)
        except ValueError as error:
            raise self.refuse(value) from error


_UNIT_NAMES: Final = {timedelta(days=1): "d", timedelta(hours=1): "h", timedelta(minutes=1): "min"}


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
        if zero:
            self.json_schema = {"type": "string", "pattern": f"^(PT0S|0s)$|{SPAN_PATTERN}"}
        if longest is not None:
            self.allowed = f"a duration up to {format_span(longest)}, such as PT5M, P7D, 5m or 7d"
        super().__init__(doc, **kwargs)

    def _serialize(self, value: Any, attr: Any, obj: Any, **kwargs: Any) -> str | None:
        return None if value is None else format_span(value * self.unit)

    def _deserialize(self, value: Any, attr: Any, data: Any, **kwargs: Any) -> Any:
        if self.zero and value in ("PT0S", "0s"):
            return 0.0
        span = super()._deserialize(value, attr, data, **kwargs)
        if self.longest is not None and span > self.longest:
            raise self.refuse(value)
        return span / self.unit

    @property
    def unit_word(self) -> str:
        """The unit that it is counted in: ``h``."""
        return _UNIT_NAMES[self.unit]

    @property
    def allowed_value(self) -> str:
        """A number of the unit within the limits."""
        low, above = (0, None) if self.zero else (None, 0)
        high = None if self.longest is None else self.longest / self.unit
        return "a number" + limits_text(low, high, above, _UNIT_NAMES[self.unit])

    def _check(self, value: Any) -> None:
        number = finite(value)
        high = None if self.longest is None else self.longest / self.unit
        low, above = (0, None) if self.zero else (None, 0)
        if number is None or not within(number, low, high, above):
            raise ma.ValidationError([Refusal(value, self.allowed_value)])


class Day(Field):
    """A calendar day, ``YYYY-MM-DD``."""

    allowed = "a date from 1970 to 2199, such as 2025-03-01"
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
        if not EARLIEST.year <= day.year < LATEST.year:
            raise self.refuse(value)
        return day

    def _check(self, value: Any) -> None:
        if isinstance(value, datetime) or not isinstance(value, date):
            raise self.refuse(value)
        if not EARLIEST.year <= value.year < LATEST.year:
            raise self.refuse(value.isoformat())


class TimeOfDay(Field):
    """A local time of day, ``HH:MM`` or ``HH:MM:SS``."""

    allowed = "a local time of day such as 10:30"
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

    def _check(self, value: Any) -> None:
        if not isinstance(value, time) or value.tzinfo is not None:
            raise self.refuse(value)


class TimeZone(Field):
    """A name of the IANA time zone database."""

    allowed = "a name of the IANA time zone database, such as Europe/Lisbon"
    json_schema: Mapping[str, Any] = {"type": "string"}

    def _deserialize(self, value: Any, attr: Any, data: Any, **kwargs: Any) -> str:
        if not isinstance(value, str) or value not in _time_zones():
            raise self.refuse(value)
        return value


@cache
def _time_zones() -> frozenset[str]:
    return frozenset(zoneinfo.available_timezones())


@cache
def known_time_zones() -> tuple[str, ...]:
    """Names of time zones to offer: those of places, and UTC."""
    places = (one for one in _time_zones() if "/" in one and not one.startswith("Etc/"))
    return ("UTC", *sorted(places))
