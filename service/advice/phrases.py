"""Amounts, times and spans of time in words for people."""

from __future__ import annotations

from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

from service.advice.engine.recommendation import Amount
from service.derive.local_time import local_day
from service.local_words import clock_words, date_words, span_words
from service.registry.models.tank import Tank
from service.store.model import Reading


def clock(tank: Tank, moment: datetime) -> str:
    """The local time of day, ``15:10``."""
    return f"{moment.astimezone(ZoneInfo(tank.time_zone)):%H:%M}"


def day_clock(tank: Tank, moment: datetime, now: datetime) -> str:
    """The local time, with the day where it is not today: ``15:10``, ``yesterday 15:10``."""
    return clock_words(moment, tank.time_zone, now)


def local_date(tank: Tank, moment: datetime, now: datetime) -> str:
    """The local date, with the year where it is not this one: ``4 Jun``, ``4 Jun 2025``."""
    return date_words(local_day(tank, moment), local_day(tank, now))


def span(length: timedelta | float) -> str:
    """A length of time (or minutes): ``25 min``, ``3.5 h``, ``2 days``."""
    return span_words(length if isinstance(length, timedelta) else timedelta(minutes=length))


def days(count: float) -> str:
    """Whole days, one at least: ``1 day``, ``12 days``."""
    whole = max(round(count), 1)
    return f"{whole} day{'' if whole == 1 else 's'}"


def litres(value: float) -> str:
    """Litres as one would measure them: whole ones, tenths below 10."""
    return f"{measured(value, 'L')} L"


def measured(value: float, unit: str) -> str:
    """An amount as one would measure it, without its unit, such as in a form that is filled in."""
    if unit == "L":
        return f"{value:.1f}" if value < 10 else f"{value:.0f}"
    # .2g turns 99.6 into 1e+02, which nobody can weigh
    return f"{value:.0f}" if value >= 99.5 else f"{value:.2g}"


def sensor_source(reading: Reading | None) -> str:
    """The source of evidence that comes from a reading: ``sensor NAME``; "" without one."""
    return "" if reading is None else f"sensor {reading.sensor}"


def dose(amount: Amount) -> str:
    """A dose as one would weigh or draw it: ``18 ml``, ``0.36 g``."""
    number = measured(amount.value, amount.unit)
    return f"{number} {'ml' if amount.unit == 'mL' else amount.unit}"


def percent(share: float) -> str:
    """A share of 1 in percent: ``50 %``."""
    return f"{100 * share:.0f} %"


def listed(words: list[str]) -> str:
    """``a``, ``a and b``, ``a, b and c``."""
    if len(words) < 2:
        return "".join(words)
    return f"{', '.join(words[:-1])} and {words[-1]}"


def capitalised(text: str) -> str:
    """The text as the beginning of a sentence."""
    return text[:1].upper() + text[1:]
