"""Reads a device's time: seconds, milliseconds or RFC 3339, to microseconds since 1970 UTC."""

from __future__ import annotations

import math
from datetime import UTC, datetime, timedelta
from typing import Final
from zoneinfo import ZoneInfo

from service.times import to_us

# A plain number's scale follows from its size: 1e11 s is the year 5138, 1e11 ms is 1973.
_SCALES: Final = ((1e11, 1_000_000.0), (1e14, 1_000.0), (1e17, 1.0), (1e20, 1e-3))
_1970: Final = datetime(1970, 1, 1)  # noqa: DTZ001 - what a wall clock shows


def time_us_of(time: object, zone: ZoneInfo | None = None, arrival_us: int = 0) -> int:
    """Microseconds since 1970-01-01 UTC of a device's time.

    Args:
        time: number of seconds, milliseconds, microseconds or nanoseconds since 1970 UTC
            (distinguished by size), the same as text, or an RFC 3339 text with its offset.
        zone: the device sends the time of this zone as if it were UTC, or text without an offset;
            None: it sends UTC. A text with another offset says itself what it is.
        arrival_us: decides in the hour that comes twice when summer time ends.

    Raises:
        ValueError: it is none of these.
    """
    if isinstance(time, str):
        text = time.strip()
        try:
            time = float(text)
        except ValueError:
            return _rfc3339(text, zone, arrival_us)
    if isinstance(time, bool) or not isinstance(time, int | float):
        raise ValueError(_allowed(time))
    try:
        if not math.isfinite(time):
            raise ValueError(_allowed(time))
    except OverflowError as error:
        raise ValueError(_allowed("a very large number")) from error
    for limit, scale in _SCALES:
        if abs(time) < limit:
            if isinstance(time, int):
                time_us = int(time * int(scale)) if scale >= 1 else time // 1000
            else:
                time_us = round(time * scale)
            return time_us if zone is None else _of_wall_clock(time_us, zone, arrival_us)
    raise ValueError(_allowed(time))


def _rfc3339(text: str, zone: ZoneInfo | None, arrival_us: int) -> int:
    try:
        moment = datetime.fromisoformat(text)
    except ValueError as error:
        raise ValueError(_allowed(text)) from error
    # Without an offset nobody knows which clock it was; RFC 3339 demands one.
    if moment.tzinfo is None and zone is None:
        raise ValueError(_allowed(text))
    try:
        if zone is not None and not moment.utcoffset():
            time_us = to_us(moment.replace(tzinfo=UTC))
            return _of_wall_clock(time_us, zone, arrival_us)
        return to_us(moment.astimezone(UTC))
    except OverflowError as error:
        raise ValueError(_allowed(text)) from error


def _of_wall_clock(time_us: int, zone: ZoneInfo, arrival_us: int) -> int:
    """The time at which a clock of a zone shows what would be ``time_us`` if it showed UTC."""
    try:
        shown = _1970 + timedelta(microseconds=time_us)
        both = {to_us(shown.replace(tzinfo=zone, fold=fold).astimezone(UTC)) for fold in (0, 1)}
    except OverflowError as error:
        raise ValueError(_allowed(time_us / 1e6)) from error
    return min(both, key=lambda one: abs(one - arrival_us))


def _allowed(time: object) -> str:
    return (
        f"time is {time!r:.60}; allowed: seconds or milliseconds since 1970 UTC, or RFC 3339 "
        "with an offset"
    )
