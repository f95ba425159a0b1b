"""Days and times of day in the time zone of a tank."""

from __future__ import annotations

from datetime import UTC, date, datetime, time
from functools import lru_cache
from zoneinfo import ZoneInfo

from service.registry.models.tank import Tank


def local_day(tank: Tank, moment: datetime) -> date:
    """The date of a moment in the time zone of the tank."""
    return moment.astimezone(ZoneInfo(tank.time_zone)).date()


def local_midnight(tank: Tank, day: date) -> datetime:
    """The moment at which a local day begins, UTC."""
    return local_moment(tank, day, time())


def local_moment(tank: Tank, day: date, at: time) -> datetime:
    """The moment of a local time of day, UTC.

    A time that summer time skips or repeats counts as in the time before the change.
    """
    return _moment(tank.time_zone, day, at)


@lru_cache(maxsize=10_000)
def _moment(zone: str, day: date, at: time) -> datetime:
    return datetime.combine(day, at, ZoneInfo(zone)).astimezone(UTC)
