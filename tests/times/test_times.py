"""Moments by RFC 3339, spans by ISO 8601 or in the short way."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.times import format_moment, format_span, parse_moment, parse_span


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        # the examples of RFC 3339, section 5.8
        ("1985-04-12T23:20:50.52Z", datetime(1985, 4, 12, 23, 20, 50, 520000, UTC)),
        ("1996-12-19T16:39:57-08:00", datetime(1996, 12, 20, 0, 39, 57, tzinfo=UTC)),
        ("2025-03-01t07:30:00z", datetime(2025, 3, 1, 7, 30, tzinfo=UTC)),
        # a '+' that a query string turned into a blank
        ("2025-03-01T07:30:00 02:00", datetime(2025, 3, 1, 5, 30, tzinfo=UTC)),
        ("2025-03-01T07:30:00.123456789Z", datetime(2025, 3, 1, 7, 30, 0, 123456, UTC)),
    ],
)
def test_parse_moment(text, expected):
    assert parse_moment(text) == expected


@pytest.mark.parametrize(
    "text",
    [
        "2025-03-01",
        "2025-03-01T07:30:00",
        "2025-02-30T07:30:00Z",
        "2025-03-01T25:30:00Z",
        "1969-12-31T23:59:59Z",
        "2200-01-01T00:00:00Z",
        "2025-03-01T07:30:00+24:00",
        "٢٠٢٥-03-01T07:30:00Z",
        "yesterday",
        "",
    ],
)
def test_parse_moment_invalid(text):
    with pytest.raises(ValueError, match="RFC 3339"):
        parse_moment(text)


@given(
    st.timedeltas(timedelta(0), timedelta(days=80_000)).map(
        lambda span: datetime(1970, 1, 1, tzinfo=UTC) + span
    )
)
def test_moment_roundtrip(moment):
    assert parse_moment(format_moment(moment)) == moment


@pytest.mark.parametrize(
    ("text", "seconds"),
    [
        ("PT5M", 300),
        ("P7D", 604_800),
        ("P1DT12H", 129_600),
        ("P2W", 1_209_600),
        ("PT0.5S", 0.5),
        ("5m", 300),
        ("1h30m", 5400),
        ("90s", 90),
        ("7d", 604_800),
        ("1.5h", 5400),
    ],
)
def test_parse_span(text, seconds):
    assert parse_span(text) == timedelta(seconds=seconds)


@pytest.mark.parametrize(
    "text", ["", "P", "PT", "P1DT", "5", "m", "-5m", "0s", "P1M", "1y", "9e9d"]
)
def test_parse_span_invalid(text):
    with pytest.raises(ValueError, match="a duration such as"):
        parse_span(text)


@given(st.timedeltas(min_value=timedelta(microseconds=1), max_value=timedelta(days=36_000)))
def test_span_roundtrip(span):
    assert parse_span(format_span(span)) == pytest.approx(span, abs=timedelta(microseconds=1))


def test_format_span():
    assert format_span(timedelta(days=7)) == "P7D"
    assert format_span(timedelta(minutes=90)) == "PT1H30M"
    assert format_span(timedelta(0)) == "PT0S", "as the documented pattern has it"
