"""What is known of a device's clock, in words."""

from __future__ import annotations

from datetime import datetime
from typing import Final
from zoneinfo import ZoneInfo

from service.registry.models.ingest import DeviceClock
from service.registry.models.tank import Tank

NEVER_SET_S: Final = 20 * 365.25 * 86_400
"""A clock so far behind counts from its start: it was never set. Our choice."""

HALF_HOUR_S: Final = 1800
NEAR_S: Final = 120
"""So near to a whole or half hour it is a time zone. Our choice."""

FURTHEST_ZONE_S: Final = 14 * 3600
"""No time zone is further from UTC (tz database)."""


def sends_local_time(clock: DeviceClock, tank: Tank, now: datetime) -> bool:
    """Whether a clock is off by what a time zone is: it probably sends local time as UTC."""
    fast_s = clock.fast_s
    own = ZoneInfo(tank.time_zone).utcoffset(now)
    if own and abs(fast_s - own.total_seconds()) <= NEAR_S:
        return True
    if not HALF_HOUR_S - NEAR_S <= abs(fast_s) <= FURTHEST_ZONE_S + NEAR_S:
        return False
    return abs(fast_s - HALF_HOUR_S * round(fast_s / HALF_HOUR_S)) <= NEAR_S


def offset_text(fast_s: int) -> str:
    """By how much a clock is off: ``2 h 0 min fast``, ``40 min slow``, ``3 days slow``."""
    way = "fast" if fast_s > 0 else "slow"
    minutes = round(abs(fast_s) / 60)
    if minutes < 60:
        return f"{minutes} min {way}"
    if minutes < 2880:
        return f"{minutes // 60} h {minutes % 60} min {way}"
    return f"{minutes // 1440} days {way}"


def clock_text(clock: DeviceClock, tank: Tank, now: datetime) -> str:
    """A clock in words, without a stop: ``the clock of glass-2 is 2 h 0 min fast``."""
    if clock.fast_s < -NEVER_SET_S:
        return f"the clock of {clock.sensor} was never set: it counts from its start"
    text = f"the clock of {clock.sensor} is {offset_text(clock.fast_s)}"
    if sends_local_time(clock, tank, now):
        return f"{text}; it probably sends local time"
    return text
