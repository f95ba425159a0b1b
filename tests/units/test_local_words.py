"""Times as people write and read them."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta

import pytest

from service.local_words import clock_words, date_words, end_of_day, in_zone, read_local, span_words

NOW = datetime(2026, 6, 10, 12, tzinfo=UTC)  # a Wednesday; 14:00 in Vienna
VIENNA = "Europe/Vienna"


@pytest.mark.parametrize(
    ("moment", "words"),
    [
        (datetime(2026, 6, 10, 20, tzinfo=UTC), "22:00"),
        (datetime(2026, 6, 10, 23, tzinfo=UTC), "tomorrow 01:00"),
        (datetime(2026, 6, 9, 6, tzinfo=UTC), "yesterday 08:00"),
        (datetime(2026, 6, 13, 6, tzinfo=UTC), "Sat 08:00"),
        (datetime(2026, 6, 6, 6, tzinfo=UTC), "Sat 6 Jun 08:00"),
        (datetime(2026, 1, 6, 6, tzinfo=UTC), "6 Jan 07:00"),  # winter time
        (datetime(2025, 6, 6, 6, tzinfo=UTC), "6 Jun 2025 08:00"),
        (datetime(2031, 6, 6, 6, tzinfo=UTC), "6 Jun 2031 08:00"),
    ],
)
def test_a_moment_has_its_day_and_year_where_they_need_saying(moment, words):
    assert clock_words(moment, VIENNA, NOW) == words


def test_a_date_has_its_year_where_it_is_another():
    assert date_words(date(2026, 6, 4), NOW.date()) == "4 Jun"
    assert date_words(date(2027, 1, 4), NOW.date()) == "4 Jan 2027"


@pytest.mark.parametrize(
    ("minutes", "words"),
    [(0, "0 min"), (89.4, "89 min"), (90, "1.5 h"), (120, "2 h"), (750, "12.5 h"),
     (2879, "48 h"), (2880, "2 days")],
)  # fmt: skip
def test_a_length_of_time_in_words(minutes, words):
    assert span_words(timedelta(minutes=minutes)) == words


@pytest.mark.parametrize(
    ("text", "moment"),
    [
        ("2026-05-01", datetime(2026, 4, 30, 22, tzinfo=UTC)),
        ("2026-05-01 18:30", datetime(2026, 5, 1, 16, 30, tzinfo=UTC)),
        ("2026-05-01T18:30", datetime(2026, 5, 1, 16, 30, tzinfo=UTC)),
        ("2026-05-01T18:30+05:00", datetime(2026, 5, 1, 13, 30, tzinfo=UTC)),
        ("2026-05-01T18:30Z", datetime(2026, 5, 1, 18, 30, tzinfo=UTC)),
        # Clocks go on at 02:00 (directive 2000/84/EC): 02:30 is not there, 03:30 by the old clock
        ("2026-03-29 02:30", datetime(2026, 3, 29, 1, 30, tzinfo=UTC)),
        # ... and back at 03:00: of the two 02:30 the first
        ("2026-10-25 02:30", datetime(2026, 10, 25, 0, 30, tzinfo=UTC)),
    ],
)
def test_a_time_without_an_offset_is_that_of_the_zone(text, moment):
    assert in_zone(read_local(text), VIENNA) == moment


def test_a_last_day_counts_whole_also_when_clocks_change():
    for text, end in (
        ("2026-05-01", datetime(2026, 5, 1, 22, tzinfo=UTC)),
        ("2026-03-29", datetime(2026, 3, 29, 22, tzinfo=UTC)),  # 23 hours long
        ("2026-05-01T18:30", datetime(2026, 5, 1, 16, 30, tzinfo=UTC)),
    ):
        assert in_zone(end_of_day(read_local(text), text), VIENNA) == end


@pytest.mark.parametrize("text", ["soon", "2026-13-01", "1.5.2026", "18:00", "2500-01-01", ""])
def test_what_is_no_day_is_refused(text):
    with pytest.raises(ValueError):
        read_local(text)
