"""Retry-After headers of other programs: how long to wait, within a limit, whatever they hold."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from email.utils import parsedate_to_datetime
from typing import Final

LONGEST: Final = 64
"""A longer header is neither seconds nor a date: the longest date of RFC 9110 has 33 letters."""

_DIGITS: Final = frozenset("0123456789")


def retry_after(text: str | None, now: datetime, *, most: timedelta) -> timedelta | None:
    """The wait that a Retry-After header asks for (RFC 9110, section 10.2.3).

    Args:
        text: the header's value: seconds, or a date.
        most: a longer wait is cut to this.

    Returns:
        From 0 to ``most``; None where the header is missing, or neither seconds nor a date.
    """
    words = "" if text is None else text.strip()
    if not words:
        return None
    if _DIGITS.issuperset(words):
        digits = words.lstrip("0")
        # A number of more digits than the limit is beyond it; to read it could cost or fail.
        if len(digits) > len(str(int(most.total_seconds()))):
            return most
        return min(timedelta(seconds=int(digits or "0")), most)
    if len(words) > LONGEST:
        return None
    try:
        at = parsedate_to_datetime(words)
        wait = (at if at.tzinfo else at.replace(tzinfo=UTC)) - now
    except (ValueError, TypeError, IndexError, OverflowError):  # what hostile dates can raise there
        return None
    return min(max(wait, timedelta(0)), most)
