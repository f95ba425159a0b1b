"""The days of an absence in each tank's own time zone."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import UTC, datetime, time
from zoneinfo import ZoneInfo

from service.registry.models.absence import Absence
from service.registry.models.tank import Tank


def span_of_tank(absence: Absence, tank: Tank, zones: Iterable[str]) -> tuple[datetime, datetime]:
    """From when to when an absence lasts at a tank, UTC.

    Whole days are the same days of the calendar for every tank, each in its own time zone; an
    absence with a time of day is one stretch of time for all.

    Args:
        zones: that the days may have been written in, those of all tanks.
    """
    for zone in (tank.time_zone, *zones):
        start, end = (one.astimezone(ZoneInfo(zone)) for one in (absence.start, absence.end))
        if start.time() == end.time() == time():
            own = ZoneInfo(tank.time_zone)
            days = (datetime.combine(one.date(), time(), own) for one in (start, end))
            first, last = (one.astimezone(UTC) for one in days)
            return first, last
    return absence.start, absence.end
