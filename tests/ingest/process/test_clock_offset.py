"""A clock that is off by a constant is recognised, and its readings count; a backlog is none."""

from __future__ import annotations

import json
import math
import random
from collections import Counter

import pytest

from ingest.decode.decoder import Decoder
from ingest.decode.message import Message
from ingest.decode.routes import Router
from ingest.process import Calibrations, ClockLimits, Processor, record_clocks
from service.config import RouteConfig, SensorConfig
from service.errors import RegistryUnavailableError
from service.store import NOT_USABLE, Flag, open_store

S = 1_000_000
NOW = 1_700_000_000 * S
MINUTE, HOUR, DAY = 60, 3600, 86_400
NAME = ("reed", "ph", "glass-2")
TOPIC = "littoral/reed/ph/glass-2"


@pytest.fixture
def store(tmp_path):
    store = open_store(f"sqlite:///{tmp_path}/readings.db")
    yield store
    store.close()


class Board:
    """A board whose clock is ``fast_s`` fast; what it sends goes the way of the ingester."""

    def __init__(self, store=None, fast_s=0.0, routes=(), known=None, sensors=()):
        self.store, self.fast_s, self.known = store, fast_s, known or {}
        self.readings = {}
        self.journal = {}
        self.decoder = Decoder(
            Router("littoral", routes, sensors), {"reed"}, lambda one: self.journal.get(one.mid)
        )
        self.restart()

    def restart(self):
        self.processor = Processor(
            Calibrations,
            ClockLimits.of_seconds(3600, 300),
            self.store,
            known_clocks=lambda: self.known,
            warm_up_s=math.inf,
        )

    def send(self, *measured_s, at_s=None, value=6.6, mid=0, dup=False):
        """Send readings that were measured at some moments, a message each, now (``at_s``)."""
        processed = []
        for at in measured_s:
            arrival_us = NOW + round((measured_s[-1] if at_s is None else at_s) * S)
            time_s = NOW / S + at + self.fast_s
            payload = json.dumps({"value": value, "time": time_s}).encode()
            message = Message(TOPIC, payload, arrival_us, mid, min(mid, 1), dup)
            one = self.processor.process(self.decoder.decode([message]))
            self.journal |= {message.mid: first for message, first in one.first_deliveries}
            self.readings |= {reading.time_us: reading for reading in one.readings}
            if self.store is not None:
                self.store.write(one.readings)
            processed += one.readings
        return [((one.time_us - NOW) / S, one.flags) for one in processed]

    def live(self, minutes, start_s=0, every_s=MINUTE):
        """Send a reading each minute, as it is measured."""
        sent = []
        for number in range(round(minutes * MINUTE / every_s)):
            sent += self.send(start_s + number * every_s)
        return sent

    def stored(self):
        return [((at - NOW) / S, int(one.flags)) for at, one in sorted(self.readings.items())]


FIVE_HOURS = 5 * HOUR
WRONG = {
    "ten minutes fast": 600,
    "local time as UTC, two hours east": 2 * HOUR,
    "local time as UTC, five hours west": -FIVE_HOURS,
    "forty minutes slow": -40 * MINUTE,
    "never set, counts from its start": -1_700_000_000,
}


@pytest.mark.parametrize("fast_s", WRONG.values(), ids=WRONG)
def test_a_constant_offset_is_recognised_and_the_readings_count(fast_s):
    board = Board(None, fast_s)
    board.live(10)
    assert board.processor.clocks.offset_us(NAME) == pytest.approx(fast_s * S, abs=S)
    later = board.live(20, start_s=10 * MINUTE)
    assert [flags for _, flags in later] == [Flag.TIME_CORRECTED] * 20
    assert [at for at, _ in later] == pytest.approx([(10 + n) * MINUTE for n in range(20)], abs=1)
    assert not any(flags & int(NOT_USABLE) for _, flags in board.stored()[-20:])


@pytest.mark.parametrize("fast_s", WRONG.values(), ids=WRONG)
def test_a_known_offset_counts_from_the_first_reading_after_a_restart(store, fast_s):
    board = Board(store, fast_s)
    board.live(10)
    (change,) = board.processor.clocks.take_changes()
    assert (change.name, change.offset_us) == (NAME, pytest.approx(fast_s * S, abs=S))
    board.known = {NAME: change.offset_us}
    board.restart()
    assert board.send(11 * MINUTE) == [(11 * MINUTE, Flag.TIME_CORRECTED)]
    board.live(10, start_s=12 * MINUTE)
    assert board.processor.clocks.take_changes() == []


def test_a_right_clock_within_its_limits_is_left_alone():
    for fast_s in (-120, 0, 250):
        board = Board(None, fast_s)
        assert {flags for _, flags in board.live(30)} == {Flag.NONE}
        assert board.processor.clocks.take_changes() == []


def test_a_backlog_burst_is_no_slow_clock():
    board = Board()
    board.live(10)
    sent = board.send(*range(10 * MINUTE, 3 * HOUR, MINUTE), at_s=3 * HOUR)
    sent += board.live(10, start_s=3 * HOUR)
    assert {flags for _, flags in sent} == {Flag.NONE, Flag.LATE}
    assert board.processor.clocks.take_changes() == []


def test_a_backlog_that_takes_a_while_is_no_slow_clock():
    """Ten times as fast as it was measured, with a live reading each minute in between."""
    board, sent = Board(), []
    board.live(10)
    backlog = iter(range(10 * MINUTE, 3 * HOUR, MINUTE))
    for now_s in range(3 * HOUR, 3 * HOUR + 17 * MINUTE, MINUTE):
        for _, at_s in zip(range(10), backlog, strict=False):
            sent += board.send(at_s, at_s=now_s)
    assert {flags for _, flags in sent} == {Flag.NONE, Flag.LATE}
    assert board.processor.clocks.take_changes() == []


def test_packs_of_ten_minutes_are_no_slow_clock():
    board, sent = Board(), []
    for end_s in range(600, 6 * HOUR, 600):
        sent += board.send(*range(end_s - 540, end_s + 1, MINUTE), at_s=end_s)
    assert {flags for _, flags in sent} == {Flag.NONE}
    assert board.processor.clocks.take_changes() == []


def test_means_with_the_begin_of_their_hour_are_no_slow_clock():
    board, sent = Board(), []
    for hour in range(48):
        sent += board.send(hour * HOUR, at_s=(hour + 1) * HOUR)
    assert not any(flags & Flag.TIME_CORRECTED for _, flags in sent)
    assert board.processor.clocks.take_changes() == []


@pytest.mark.parametrize("fast_s", [600, 2 * HOUR, -40 * MINUTE])
def test_the_backlog_of_a_wrong_clock_gets_its_own_times(fast_s):
    board = Board(None, fast_s)
    board.live(10)
    measured = list(range(10 * MINUTE, 50 * MINUTE, MINUTE))
    sent = board.send(*measured, at_s=50 * MINUTE)
    known = [(at, flags) for at, flags in sent if not flags & Flag.CLOCK]
    assert len(known) >= len(sent) - 2  # one or two look like a clock that has just been set
    assert all(flags & Flag.TIME_CORRECTED for _, flags in known)
    assert {at for at, _ in known} <= set(measured)


@pytest.mark.parametrize("fast_s", WRONG.values(), ids=WRONG)
def test_a_clock_that_was_put_right_is_used_again(fast_s):
    board = Board(None, fast_s)
    board.live(10)
    board.processor.clocks.take_changes()
    board.fast_s = 0
    after = board.live(15, start_s=10 * MINUTE)
    assert after[-5:] == [((20 + n) * MINUTE, Flag.NONE) for n in range(5)]
    assert [one.offset_us for one in board.processor.clocks.take_changes()] == [None]


def test_a_clock_that_wanders_is_never_believed():
    board, chance = Board(), random.Random(1)
    for minute in range(60):
        board.fast_s = 3600 + chance.uniform(-1500, 1500)
        board.send(minute * MINUTE)
    assert {flags for _, flags in board.stored()} == {Flag.CLOCK}


def test_a_single_garbled_time_does_not_hide_the_offset():
    board = Board(None, 600)
    for minute in range(10):
        board.fast_s = 5 * DAY if minute == 4 else 600
        board.send(minute * MINUTE)
    assert board.processor.clocks.offset_us(NAME) == pytest.approx(600 * S, abs=S)


def test_a_redelivery_under_a_wrong_clock_is_the_same_reading(store):
    board = Board(store, 2 * HOUR)
    board.live(10)
    first = board.send(11 * MINUTE, mid=7)
    assert first == [(11 * MINUTE, Flag.TIME_CORRECTED)]
    again = board.send(11 * MINUTE, at_s=12 * MINUTE, mid=7, dup=True)
    assert again in ([], first)
    assert len(board.stored()) == 11


# -- order within a burst


@pytest.mark.parametrize("seed", range(5))
def test_order_within_a_burst_does_not_matter(seed):
    """Current readings come first, then the backlog in any order, live ones in between."""
    chance = random.Random(seed)
    board = Board()
    board.live(10)
    backlog = list(range(10 * MINUTE, 3 * HOUR, MINUTE))
    chance.shuffle(backlog)
    sent = board.send(3 * HOUR)
    for number, at_s in enumerate(backlog):
        now_s = 3 * HOUR + 0.3 * number
        sent += board.send(at_s, at_s=now_s)
        if number % 40 == 39:
            sent += board.send(now_s)
    assert Counter(bool(flags & Flag.CLOCK) for _, flags in sent) == {False: len(sent)}
    assert {float(at) for at in backlog} <= {at for at, _ in board.stored()}


def test_several_outages_in_a_row_and_a_restart_in_between(store):
    board, expected = Board(store), []
    for begin_s in range(0, 8 * HOUR, 2 * HOUR):
        board.live(30, start_s=begin_s)
        expected += range(begin_s + 30 * MINUTE, begin_s + 2 * HOUR, MINUTE)
    board.send(8 * HOUR)
    board.restart()
    board.send(8 * HOUR + 1)
    sent = board.send(*reversed(expected), at_s=8 * HOUR + 2)
    assert {bool(flags & Flag.CLOCK) for _, flags in sent} == {False}


def test_a_clock_that_jumps_back_into_what_is_measured_is_wrong_as_before():
    board = Board()
    board.live(40)
    board.fast_s = -20 * MINUTE - 30
    flags = [flags for _, flags in board.live(10, start_s=40 * MINUTE)]
    assert flags[:3] == [Flag.CLOCK] * 3
    assert flags[-1] == Flag.TIME_CORRECTED


# -- settings of a route


def routed(**settings):
    return [RouteConfig("littoral/{tank}/{quantity}/{sensor}", **settings)]


@pytest.mark.parametrize("fast_s", [600, 2 * HOUR, -FIVE_HOURS])
def test_a_route_puts_a_clock_right(fast_s):
    board = Board(None, fast_s, routed(clock_offset_s=float(fast_s)))
    assert board.live(10) == [(n * MINUTE, Flag.NONE) for n in range(10)]
    board.send(3 * HOUR)
    assert board.send(HOUR, at_s=3 * HOUR) == [(HOUR, Flag.LATE)]  # a backlog too


def test_a_route_takes_local_time_with_summer_time():
    """2023-11-14 is winter time in Berlin, UTC+1, as 2024-07-01 is summer time, UTC+2 (tz data)."""
    board = Board(None, HOUR, routed(time_zone="Europe/Berlin"))
    assert board.live(10) == [(n * MINUTE, Flag.NONE) for n in range(10)]
    summer_s = 1_719_835_200 - NOW / S
    board.fast_s = 2 * HOUR
    assert board.send(summer_s) == [(summer_s, Flag.NONE)]


def test_in_the_hour_that_comes_twice_the_arrival_decides():
    """Summer time ended in Berlin on 2023-10-29 at 01:00 UTC: 02:30 came at 00:30 and at 01:30."""
    board = Board(None, 0, routed(time_zone="Europe/Berlin"))
    for utc_s, ahead_s in ((1_698_539_400, 2 * HOUR), (1_698_543_000, HOUR)):
        board.fast_s = ahead_s
        at_s = utc_s - NOW / S
        assert board.send(at_s) == [(at_s, Flag.NONE)]


def test_a_text_without_an_offset_is_taken_where_the_route_has_a_time_zone():
    board = Board(None, 0, routed(time_zone="Europe/Berlin"))
    payload = json.dumps({"value": 6.6, "time": "2023-11-14T23:13:20"}).encode()
    processed = board.processor.process(board.decoder.decode([Message(TOPIC, payload, NOW)]))
    assert [(one.time_us, one.flags) for one in processed.readings] == [(NOW, Flag.NONE)]


# -- settings of a sensor


def test_a_sensor_has_its_own_clock_beside_others_of_its_route():
    sensors = [SensorConfig("reed", NAME[2], time_zone="Europe/Berlin")]
    routes = routed(clock_offset_s=600.0)
    assert Board(None, HOUR, routes, sensors=sensors).live(5)[-1] == (4 * MINUTE, Flag.NONE)
    other = [SensorConfig("reed", "another", time_zone="Europe/Berlin")]
    assert Board(None, 600, routes, sensors=other).live(5)[-1] == (4 * MINUTE, Flag.NONE)


def test_a_sensor_without_a_route_has_a_clock_and_the_quantity_decides():
    sensors = [
        SensorConfig("reed", NAME[2], clock_offset_s=600.0),
        SensorConfig("reed", NAME[2], "temperature", clock_offset_s=-999.0),
    ]
    assert Board(None, 600, sensors=sensors).live(5)[-1] == (4 * MINUTE, Flag.NONE)
    sensors[1] = SensorConfig("reed", NAME[2], NAME[1], clock_offset_s=-600.0)
    assert Board(None, -600, sensors=sensors).live(5)[-1] == (4 * MINUTE, Flag.NONE)


# -- written down


class Book:
    """A registry that is away at first."""

    def __init__(self):
        self.away, self.wrong, self.right = True, [], []

    def put_device_clocks(self, wrong, right):
        if self.away:
            raise RegistryUnavailableError("by this test")
        self.wrong, self.right = list(wrong), list(right)


def test_what_cannot_be_written_down_is_written_later():
    board, book = Board(None, 600), Book()
    board.live(10)
    record_clocks(board.processor.clocks, book)
    book.away = False
    record_clocks(board.processor.clocks, book)
    assert [(one.tank, one.quantity, one.sensor, one.fast_s) for one in book.wrong] == [
        (*NAME, 600)
    ]
    board.fast_s = 0
    board.live(10, start_s=10 * MINUTE)
    record_clocks(board.processor.clocks, book)
    assert (book.wrong, book.right) == ([], [NAME])
