"""The time of a reading: the device's, or the arrival where the device's clock is wrong."""

from __future__ import annotations

import pytest

from ingest.process.device_clock import BACKLOG_S, arrival_time_us
from ingest.process.quality.judge import judge
from ingest.process.series import SeriesMemory
from service.store import Flag, Reading
from tests.ingest.process.feeding import CLOCK, START, S, wrong


@pytest.fixture
def memory():
    return SeriesMemory()


def test_absurd_clocks(memory):
    assert wrong(memory, 0)
    assert wrong(memory, START + 301 * S)
    assert wrong(memory, START - int(BACKLOG_S + 1) * S)
    assert not wrong(memory, START + 299 * S)
    assert not wrong(memory, START - 86_400 * S)


def stamped(memory, time_us, arrival_us, value=24.0):
    """What the processor does with one reading that has a time; returns (wrong, flags)."""
    is_wrong = wrong(memory, time_us, arrival_us)
    series = memory.series(("reed", "temperature", "main"), arrival_us + CLOCK.future_us)
    if not is_wrong:
        series.add_device_time(time_us)
    reading = Reading("reed", "temperature", "main", arrival_us if is_wrong else time_us, value)
    late = not is_wrong and arrival_us - time_us > CLOCK.late_after_us
    return is_wrong, judge(series, reading, late=late).reading.flags


def test_late_is_told_and_used(memory):
    assert stamped(memory, START - 2 * 3600 * S, START) == (False, Flag.LATE)


def test_queue_sent_oldest_first_is_late_not_wrong(memory):
    stamped(memory, START, START)
    arrival_us = START + 7200 * S
    for n in range(1, 240):
        is_wrong, flags = stamped(memory, START + n * 30 * S, arrival_us)
        assert not is_wrong
        assert bool(flags & Flag.LATE) == (n * 30 < 3600)


def test_clock_that_jumps_back_stays_wrong_until_it_is_right_again(memory):
    stamped(memory, START, START)
    for n in range(1, 500):  # long enough for the wrong clock to pass where it jumped from
        now_us = START + n * 30 * S
        assert stamped(memory, now_us - 3 * 3600 * S, now_us)[0], n
    now_us = START + 500 * 30 * S
    assert not stamped(memory, now_us, now_us)[0]


def test_a_message_sent_twice_is_no_jump(memory):
    for n in range(8):
        stamped(memory, START + n * 60 * S, START + n * 60 * S)
    assert not stamped(memory, START + 60 * S, START + 480 * S)[0]


def test_arrivals_are_stored_apart_by_the_stores_resolution(memory):
    series = memory.series(("reed", "ph", "main"), START)
    times = [arrival_time_us(series, START + n * 10, 1000) for n in range(5)]
    assert times == [START + n * 1000 for n in range(5)]
    other = memory.series(("reed", "ph", "other"), START)
    assert arrival_time_us(other, START + 50, 1000) == START


def test_a_backlog_of_seconds_at_once_is_stored_apart(memory):
    """Of one millisecond each: at one moment, and going on a little later."""
    series = memory.series(("reed", "ph", "main"), START)
    times = [arrival_time_us(series, START, 1000) for _ in range(5000)]
    times += [arrival_time_us(series, START + 1000 * n, 1000) for n in range(5000)]
    assert len(set(times)) == 10_000 and times == sorted(times)


def test_arrivals_follow_a_clock_that_was_set_back(memory):
    series = memory.series(("reed", "ph", "main"), START)
    arrival_time_us(series, START, 1000)
    assert arrival_time_us(series, START - 3600 * S, 1000) == START - 3600 * S
    assert arrival_time_us(series, START - 3600 * S, 1000) == START - 3600 * S + 1000
