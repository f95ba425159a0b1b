"""Kinds of option: times and lengths of time."""

from __future__ import annotations

import math
from datetime import UTC, datetime, timedelta
from typing import Any

import click

from service.times import parse_span, to_us


class SpanParameter(click.ParamType[timedelta]):
    """A length of time such as ``90d``, ``1h30m`` or ``PT5M``."""

    name = "duration"

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> timedelta:
        """The length of time; a usage error names what is allowed."""
        if isinstance(value, timedelta):
            return value
        try:
            return parse_span(str(value))
        except ValueError as error:
            self.fail(f"{value!r}; allowed: {error}", param, ctx)


class NumberRange(click.FloatRange):
    """A finite number within limits; click's own lets NaN through, and infinity without a limit."""

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> float:
        """The number; a usage error names what is allowed."""
        number = float(super().convert(value, param, ctx))
        if not math.isfinite(number):
            self.fail(f"{value!r} is not a finite number.", param, ctx)
        return number


class MomentParameter(click.ParamType[datetime]):
    """A time such as ``2025-06-04T18:00``; without an offset it is this machine's time."""

    name = "time"

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> datetime:
        """The moment, UTC; a usage error names what is allowed."""
        if isinstance(value, datetime):
            return value
        try:
            return datetime.fromisoformat(str(value)).astimezone(UTC)
        except (ValueError, OverflowError):
            allowed = "a time such as 2025-06-04T18:00, or with its offset 2025-06-04T18:00+02:00"
            self.fail(f"{value!r}; allowed: {allowed}", param, ctx)


class TimeParameter(click.ParamType[int]):
    """An RFC 3339 time or a date (midnight UTC), as microseconds since 1970-01-01 UTC."""

    name = "time"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> int:
        """The time; a usage error names what is allowed."""
        if isinstance(value, int):
            return value
        try:
            moment = datetime.fromisoformat(str(value))
        except ValueError:
            self.fail(f"{value!r}; allowed: a time such as 2026-03-01T18:30Z or a date", param, ctx)
        return to_us(moment if moment.tzinfo else moment.replace(tzinfo=UTC))
