"""Reads a device's time: seconds, milliseconds or RFC 3339, to microseconds since 1970 UTC."""

from __future__ import annotations

import math
from datetime import UTC, datetime
from typing import Final

from service.times import to_us

# A plain number's scale follows from its size: 1e11 s is the year 5138, 1e11 ms is 1973.
_SCALES: Final = ((1e11, 1_000_000.0), (1e14, 1_000.0), (1e17, 1.0), (1e20, 1e-3))


def time_us_of(time: object) -> int:
    """Microseconds since 1970-01-01 UTC of a device's time.

    Args:
        time: number of seconds, milliseconds, microseconds or nanoseconds since 1970 UTC
            (distinguished by size), the same as text, or an RFC 3339 text with its offset.

    Raises:
        ValueError: it is none of these.
    """
    if isinstance(time, str):
        text = time.strip()
        try:
            time = float(text)
        except ValueError:
            return _rfc3339(text)
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
                return int(time * int(scale)) if scale >= 1 else time // 1000
            return round(time * scale)
    raise ValueError(_allowed(time))


def _rfc3339(text: str) -> int:
    try:
        moment = datetime.fromisoformat(text)
    except ValueError as error:
        raise ValueError(_allowed(text)) from error
    # Without an offset nobody knows which clock it was; RFC 3339 demands one.
    if moment.tzinfo is None:
        raise ValueError(_allowed(text))
    try:
        return to_us(moment.astimezone(UTC))
    except OverflowError as error:
        raise ValueError(_allowed(text)) from error


def _allowed(time: object) -> str:
    return (
        f"time is {time!r:.60}; allowed: seconds or milliseconds since 1970 UTC, or RFC 3339 "
        "with an offset"
    )
