"""Times and spans of time as text: RFC 3339 moments, ISO 8601 or ``5m``-style durations."""

from __future__ import annotations

import re
from datetime import UTC, datetime, timedelta
from typing import Final

EARLIEST: Final = datetime(1970, 1, 1, tzinfo=UTC)
LATEST: Final = datetime(2200, 1, 1, tzinfo=UTC)
LONGEST: Final = timedelta(days=36_525)

MOMENT_ALLOWED: Final = (
    "an RFC 3339 time with its offset between 1970 and 2200, such as 2025-03-01T07:30:00Z"
)
SPAN_ALLOWED: Final = "a duration such as PT5M, P7D, 5m, 1h30m or 7d, above 0 and up to 100 years"

# A '+' in a query string arrives as a blank unless it was written %2B: take it for what it is.
_MOMENT = re.compile(
    r"(\d{4}-\d\d-\d\d)[Tt ](\d\d:\d\d:\d\d)(?:\.(\d{1,9}))?(?:([Zz])|([ +-])(\d\d):([0-5]\d))",
    re.ASCII,
)
_NUMBER: Final = r"\d{1,10}(?:\.\d{1,9})?"
_ISO_SPAN = re.compile(
    rf"P(?:(?P<w>{_NUMBER})W)?(?:(?P<d>{_NUMBER})D)?"
    rf"(?:T(?:(?P<h>{_NUMBER})H)?(?:(?P<m>{_NUMBER})M)?(?:(?P<s>{_NUMBER})S)?)?",
    re.ASCII,
)
_SHORT_SPAN = re.compile(
    rf"(?:(?P<w>{_NUMBER})w)?(?:(?P<d>{_NUMBER})d)?(?:(?P<h>{_NUMBER})h)?"
    rf"(?:(?P<m>{_NUMBER})m)?(?:(?P<s>{_NUMBER})s)?",
    re.ASCII,
)
MOMENT_PATTERN: Final = "^(19[7-9][0-9]|2[01][0-9]{2})-"
SPAN_PATTERN: Final = (
    r"^(P(?=[0-9T])(NW)?(ND)?(T(?=[0-9])(NH)?(NM)?(NS)?)?"
    r"|(?=[0-9])(Nw)?(Nd)?(Nh)?(Nm)?(Ns)?)$"
).replace("N", r"[0-9]{1,10}(\.[0-9]{1,9})?")
"""What JSON Schema can say of moments and spans: years and forms, not how long."""
_SECONDS: Final = {"w": 604_800.0, "d": 86_400.0, "h": 3_600.0, "m": 60.0, "s": 1.0}


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


def format_moment(moment: datetime) -> str:
    """RFC 3339 with ``Z``; the fraction only where there is one."""
    text = moment.astimezone(UTC).replace(tzinfo=None).isoformat()
    return text + "Z"


def parse_span(text: str) -> timedelta:
    """Duration written as ISO 8601 (without years and months) or as ``1h30m``.

    Raises:
        ValueError: the text is neither, is zero, or is longer than a century.
    """
    match = _ISO_SPAN.fullmatch(text) or _SHORT_SPAN.fullmatch(text)
    if match is None or text.endswith("T"):
        raise ValueError(SPAN_ALLOWED)
    parts = {name: float(number) for name, number in match.groupdict().items() if number}
    seconds = sum(_SECONDS[name] * number for name, number in parts.items())
    if not 1e-6 <= seconds <= LONGEST.total_seconds():
        raise ValueError(SPAN_ALLOWED)
    return timedelta(seconds=seconds)


def format_span(span: timedelta) -> str:
    """ISO 8601 duration in days, hours, minutes and seconds: ``P7D``, ``PT1H30M``.

    Raises:
        ValueError: the span is negative.
    """
    if span < timedelta(0):
        raise ValueError(f"span is {span}; allowed: 0 or longer")
    minutes, seconds = divmod(span.seconds, 60)
    hours, minutes = divmod(minutes, 60)
    fraction = f"{span.microseconds / 1e6:.6f}".lstrip("0").rstrip("0").rstrip(".")
    clock = "".join(f"{number}{unit}" for number, unit in ((hours, "H"), (minutes, "M")) if number)
    if seconds or fraction:
        clock += f"{seconds}{fraction}S"
    text = f"{span.days}D" if span.days else ""
    if clock:
        text += f"T{clock}"
    return f"P{text}" if text else "PT0S"
