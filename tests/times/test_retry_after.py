"""Retry-After of RFC 9110, section 10.2.3, and what a hostile program may send in its place."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from service.retry_after import retry_after

# The date of RFC 9110's own example of this header, section 10.2.3.
EXAMPLE = "Fri, 31 Dec 1999 23:59:59 GMT"
NOW = datetime(1999, 12, 31, 23, 57, 59, tzinfo=UTC)
MOST = timedelta(days=1)


@pytest.mark.parametrize(
    ("text", "seconds"),
    [
        ("120", 120),  # the RFC's example of seconds
        (EXAMPLE, 120),
        (" 7 ", 7),
        ("0", 0),
        ("00000000000000000120", 120),
        ("Fri, 31 Dec 1999 23:00:00 GMT", 0),
        ("Fri, 31 Dec 2999 23:59:59 GMT", 86_400),
        ("Fri, 01 Jan 0001 00:00:00 +2359", 86_400),  # two digits of a year mean 2001 (RFC 5322)
        ("86401", 86_400),
        ("9" * 40, 86_400),
        ("9" * 5_000, 86_400),
        ("0" * 5_000 + "5", 5),
    ],
)
def test_seconds_and_dates_up_to_the_limit(text: str, seconds: int) -> None:
    assert retry_after(text, NOW, most=MOST) == timedelta(seconds=seconds)


@pytest.mark.parametrize(
    "text",
    [
        None,
        "",
        "  ",
        "soon",
        "-5",
        "1.5",
        "1e9",
        "٣",  # a digit, but not one of the RFC's
        "Fri, 31 Dec 99999 23:59:59 GMT",
        "Fri, 31 Dec 1999 23:59:59 +" + "9" * 30,
        f"Fri, {'9' * 5_000} Dec 1999 23:59:59 GMT",
        "x" * 60_000,
    ],
)
def test_what_is_neither_asks_for_nothing(text: str | None) -> None:
    assert retry_after(text, NOW, most=MOST) is None


@given(st.text() | st.text("0123456789:, +-GMTJanDec"))
@example("Fri, 31 Dec 9999 23:59:59 -2359")
def test_whatever_comes_the_wait_is_within_its_limit(text: str) -> None:
    wait = retry_after(text, NOW, most=MOST)
    assert wait is None or timedelta(0) <= wait <= MOST
