"""Times and durations as numbers and as text: microseconds, RFC 3339, ISO 8601 durations.

Inside, a moment is an aware UTC datetime or integer microseconds since 1970; every text that leaves
is written by ``format_moment`` or ``format_span``. Durations are read and written by ``isodate``.
"""

from __future__ import annotations

import re
from datetime import UTC, datetime, timedelta
from typing import Final

EPOCH: Final = datetime(1970, 1, 1, tzinfo=UTC)
EARLIEST: Final = EPOCH
LATEST: Final = datetime(2200, 1, 1, tzinfo=UTC)
"""Moments are accepted from EARLIEST to before LATEST."""
LONGEST: Final = timedelta(days=36_525)

MOMENT_ALLOWED: Final = (
    "an RFC 3339 time with its offset between 1970 and 2200, such as 2025-03-01T07:30:00Z"
)
MOMENT_PATTERN: Final = "^(19[7-9][0-9]|2[01][0-9]{2})-"
"""What JSON Schema can say of a moment: its year."""
ZERO_SPAN: Final = "PT0S"
SPAN_ALLOWED: Final = "a duration such as PT5M, P7D, 5m, 1h30m or 7d, above 0 and up to 100 years"
SPAN_PATTERN: Final = (
    r"^(?=.*[1-9])(P(?=[0-9T])(NW)?(ND)?(T(?=[0-9])(NH)?(NM)?(NS)?)?"
    r"|(?=[0-9])(Nw)?(Nd)?(Nh)?(Nm)?(Ns)?)$"
).replace("N", r"[0-9]{1,10}(\.[0-9]{1,9})?")
"""The two forms of a duration, ISO 8601 and short, as JSON Schema can say them: not how long."""

# A '+' in a query string arrives as a blank unless it was written %2B: take it for what it is.
_MOMENT: Final = re.compile(
    r"(\d{4}-\d\d-\d\d)[Tt ](\d\d:\d\d:\d\d)(?:\.(\d{1,9}))?(?:([Zz])|([ +-])(\d\d):([0-5]\d))",
    re.ASCII,
)
_SPAN: Final = re.compile(SPAN_PATTERN)
_SHORT_DAYS: Final = re.compile(r"(?:[\d.]+[wd])*")


def to_us(moment: datetime) -> int:
    """Microseconds since 1970-01-01 UTC of an aware datetime, exact.

    Raises:
        ValueError: the datetime is naive.
    """
    if moment.tzinfo is None:
        raise ValueError(f"moment is {moment!r}; allowed: a datetime with a time zone")
    since = moment - EPOCH
    return (since.days * 86_400 + since.seconds) * 1_000_000 + since.microseconds


def from_us(time_us: int) -> datetime:
    """Aware UTC datetime of integer microseconds since 1970-01-01 UTC, exact."""
    return EPOCH + timedelta(microseconds=int(time_us))


def parse_moment(text: str) -> datetime:
    """Aware UTC datetime of an RFC 3339 time; digits beyond the microsecond are dropped.

    Raises:
        ValueError: the text is no RFC 3339 time, or lies outside 1970 to 2200.
    """
    match = _MOMENT.fullmatch(text)
    if match is None:
        raise ValueError(MOMENT_ALLOWED)
    day, clock, fraction, zulu, sign, hours, minutes = match.groups()
    if not EARLIEST.year <= int(day[:4]) < LATEST.year:
        raise ValueError(MOMENT_ALLOWED)
    try:
        local = datetime.fromisoformat(f"{day}T{clock}.{(fraction or '0')[:6].ljust(6, '0')}+00:00")
        if zulu is None:
            if int(hours) > 23:
                raise ValueError(MOMENT_ALLOWED)
            offset = timedelta(hours=int(hours), minutes=int(minutes))
            local = local + offset if sign == "-" else local - offset
    except (ValueError, OverflowError) as error:
        raise ValueError(MOMENT_ALLOWED) from error
    if not EARLIEST <= local < LATEST:
        raise ValueError(MOMENT_ALLOWED)
    return local


def stored_moment(text: object) -> datetime | None:
    """The moment that a stored JSON document names; None where it names none."""
    return datetime.fromisoformat(str(text)) if text else None


def format_moment(moment: datetime) -> str:
    """RFC 3339 with ``Z``; the fraction only where there is one.

    Raises:
        ValueError: the datetime is naive.
    """
    if moment.tzinfo is None:
        raise ValueError(f"moment is {moment!r}; allowed: a datetime with a time zone")
    return moment.astimezone(UTC).replace(tzinfo=None).isoformat() + "Z"


def parse_span(text: str) -> timedelta:
    """Duration written as ISO 8601 (without years and months) or as ``1h30m``.

    Raises:
        ValueError: the text is neither, is zero, or is longer than a century.
    """
    if not text.isascii() or not _SPAN.fullmatch(text):
        raise ValueError(SPAN_ALLOWED)
    import isodate  # not for a command line that only prints times

    try:
        span = isodate.parse_duration(text if text.startswith("P") else _iso_of_short(text))
    except OverflowError as error:
        raise ValueError(SPAN_ALLOWED) from error
    if not isinstance(span, timedelta) or not timedelta(0) < span <= LONGEST:
        raise ValueError(SPAN_ALLOWED)
    return span


def format_span(span: timedelta) -> str:
    """ISO 8601 duration in days, hours, minutes and seconds: ``P7D``, ``PT1H30M``.

    Raises:
        ValueError: the span is negative.
    """
    if span < timedelta(0):
        raise ValueError(f"span is {span}; allowed: 0 or longer")
    if not span:
        return ZERO_SPAN  # isodate writes P0D, which nothing here reads
    import isodate

    return str(isodate.duration_isoformat(span))


def _iso_of_short(text: str) -> str:
    days = _SHORT_DAYS.match(text)
    split = days.end() if days else 0
    clock = f"T{text[split:]}" if text[split:] else ""
    return f"P{text[:split]}{clock}".upper()
