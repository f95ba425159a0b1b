"""Kind of option: a day or time, in the zone of the tank that it is about."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Any

import click

from service.local_words import LOCAL_ALLOWED, end_of_day, in_zone, read_local


@dataclass(frozen=True, slots=True)
class LocalMoment:
    """A day or time as it was written; which moment it is, its tank's zone decides."""

    text: str
    written: datetime

    def at(self, zone: str, *, whole_day: bool = False) -> datetime:
        """The moment, UTC.

        Args:
            zone: where it has no offset of its own.
            whole_day: a day alone means its end.
        """
        written = end_of_day(self.written, self.text) if whole_day else self.written
        return in_zone(written, zone)

    def __str__(self) -> str:
        return self.text


class LocalTimeParameter(click.ParamType[LocalMoment]):
    """A day such as ``2026-05-01``, or with a time; without an offset it is the tank's."""

    name = "time"

    def __init__(self, also: str = "") -> None:
        """Make one.

        Args:
            also: what else the option takes, named before it where neither was written.
        """
        self._allowed = f"{also}, {LOCAL_ALLOWED}" if also else LOCAL_ALLOWED

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> LocalMoment:
        """What was written; a usage error names what is allowed."""
        if isinstance(value, LocalMoment):
            return value
        try:
            return LocalMoment(str(value), read_local(str(value)))
        except (ValueError, OverflowError):
            self.fail(f"{value!r}; allowed: {self._allowed}", param, ctx)
