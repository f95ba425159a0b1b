"""Moments and lengths of time as people write and read them; moments in a zone."""

from __future__ import annotations

from datetime import UTC, date, datetime, time, timedelta
from typing import Final
from zoneinfo import ZoneInfo

from service.times import EARLIEST, LATEST

LOCAL_ALLOWED: Final = (
    "a day such as 2026-05-01, a time such as 2026-05-01T18:00, or with its offset "
    "2026-05-01T18:00+02:00"
)
_A_DAY: Final = len("2026-05-01")
_MINUTE: Final = timedelta(minutes=1)


def clock_words(moment: datetime, zone: str, now: datetime) -> str:
    """``15:10``, with the day before it where that is not today, and the year where not this one.

    Args:
        zone: IANA name.
        now: the present moment.
    """
    local = moment.astimezone(ZoneInfo(zone))
    today = now.astimezone(ZoneInfo(zone)).date()
    clock = f"{local:%H:%M}"
    days = (local.date() - today).days
    if days == 0:
        return clock
    near = {-1: "yesterday", 1: "tomorrow"}.get(days)
    if near:
        return f"{near} {clock}"
    return f"{day_words(local.date(), today)} {clock}"


def day_words(day: date, today: date) -> str:
    """``Thu`` within the next week, else ``Thu 4 Jun``, and ``4 Jun 2025`` of another year."""
    days = (day - today).days
    if 0 < days < 7:
        return f"{day:%a}"
    if abs(days) < 7:
        return f"{day:%a} {day.day} {day:%b}"
    return date_words(day, today)


def date_words(day: date, today: date) -> str:
    """``4 Jun``, and ``4 Jun 2025`` of another year."""
    year = f" {day.year}" if day.year != today.year else ""
    return f"{day.day} {day:%b}{year}"


def span_words(length: timedelta) -> str:
    """A length of time: ``25 min``, ``3.5 h``, ``2 days``."""
    minutes = length / _MINUTE
    if minutes < 90:
        return f"{minutes:.0f} min"
    if minutes < 2880:
        return f"{minutes / 60:.1f}".removesuffix(".0") + " h"
    return f"{minutes / 1440:.0f} days"


def read_local(text: str) -> datetime:
    """A day, or a day with a time, with or without an offset, as a person writes it.

    Returns:
        Naive where no offset was given, for ``in_zone``.

    Raises:
        ValueError: it is neither.
    """
    found = datetime.fromisoformat(text.strip().replace(" ", "T"))
    if not EARLIEST.year <= found.year < LATEST.year:
        raise ValueError(LOCAL_ALLOWED)
    return found


def in_zone(moment: datetime, zone: str) -> datetime:
    """The moment, UTC, of what was written without an offset, in a zone.

    A time that summer time skips or repeats counts as in the time before the change.
    """
    local = moment if moment.tzinfo else moment.replace(tzinfo=ZoneInfo(zone))
    return local.astimezone(UTC)


def end_of_day(moment: datetime, text: str) -> datetime:
    """The end of the day where the text was a day alone, as ``until`` means it."""
    alone = len(text.strip()) <= _A_DAY and moment.time() == time()
    return moment + timedelta(days=1) if alone else moment
