"""Flags: every doubt arises, and none arises on a healthy sensor."""

from __future__ import annotations

import math
import random

import numpy as np
import pytest

from ingest.process.device_clock import (
    BACKLOG_S,
    ClockLimits,
    arrival_time_us,
    is_absurd,
    is_wrong,
)
from ingest.process.quality.judge import judge
from ingest.process.quality.limits import LIMITS
from ingest.process.series import SeriesMemory
from service.errors import StoreUnavailableError
from service.store import Flag, Reading, Samples
from service.units import QUANTITIES

S = 1_000_000
START = 1_700_000_000 * S
CLOCK = ClockLimits(3600 * S, 300 * S)


class Series:
    """Feeds one series to a judge and stores what a store would."""

    def __init__(self, memory, quantity="temperature", sensor="main", every_s=30):
        self.memory, self.quantity, self.sensor = memory, quantity, sensor
        self.every_us = every_s * S
        self.time_us = START
        self.flags: dict[int, Flag] = {}

    def feed(self, *values):
        for value in values:
            self.time_us += self.every_us
            reading = Reading("reed", self.quantity, self.sensor, self.time_us, value)
            series = self.memory.series("reed", self.quantity, self.sensor, self.time_us)
            judged = judge(series, reading)
            for stored in (judged.reading, *judged.corrected):
                self.flags[stored.time_us] = stored.flags
        return list(self.flags.values())


@pytest.fixture
def memory():
    return SeriesMemory()


def test_every_quantity_has_limits():
    assert set(LIMITS) == set(QUANTITIES)


def test_implausible(memory):
    # -127 and 85 are what a common digital thermometer says when it is not read properly
    assert Series(memory).feed(-127.0, 85.0, 24.0) == [Flag.IMPLAUSIBLE, Flag.IMPLAUSIBLE, 0]


def test_spike_stays_flagged_and_its_neighbours_do_not(memory):
    flags = Series(memory).feed(*[24.0] * 10, 31.0, *[24.1] * 5)
    assert [n for n, flag in enumerate(flags) if flag] == [10]
    assert flags[10] == Flag.SPIKE


def test_step_of_the_water_is_doubted_until_it_is_confirmed(memory):
    series = Series(memory)
    assert series.feed(*[24.0] * 10, 21.0, 21.1)[-2:] == [Flag.SPIKE, Flag.SPIKE]
    assert set(series.feed(21.0, 21.0)) == {Flag.NONE}


def test_after_a_silence_nothing_is_a_spike(memory):
    series = Series(memory)
    series.feed(*[24.0] * 10)
    series.time_us += 3600 * S
    assert series.feed(20.0)[-1] == Flag.NONE


def test_light_is_switched_and_that_is_no_spike(memory):
    series = Series(memory, "illuminance")
    assert set(series.feed(*[0.0] * 10, 12_000.0, 12_100.0, *[0.0] * 3)) == {Flag.NONE}


def test_stuck_thermometer(memory):
    flags = Series(memory, every_s=600).feed(*[24.0] * (6 * 25))
    assert flags[6 * 24 - 1] == Flag.NONE
    assert set(flags[6 * 24 :]) == {Flag.STUCK}


def test_dark_is_not_stuck_but_a_constant_light_is(memory):
    dark = Series(memory, "illuminance", "a", every_s=600)
    assert set(dark.feed(*[0.0] * (6 * 48))) == {Flag.NONE}
    lit = Series(memory, "illuminance", "b", every_s=600)
    assert lit.feed(*[5000.0] * (6 * 27))[-1] == Flag.STUCK


def test_two_sensors_that_differ_both_disagree(memory):
    first, second = Series(memory, sensor="a"), Series(memory, sensor="b")
    assert first.feed(24.0) == [Flag.NONE]
    assert second.feed(25.5) == [Flag.DISAGREES]
    assert first.feed(24.0)[-1] == Flag.DISAGREES


def test_of_three_sensors_the_odd_one_out_disagrees(memory):
    sensors = [Series(memory, sensor=name) for name in "abc"]
    for values in ((24.0, 24.1, 27.0), (24.0, 24.1, 27.0)):
        for series, value in zip(sensors, values, strict=True):
            series.feed(value)
    assert [series.feed(v)[-1] for series, v in zip(sensors, (24.0, 24.1, 27.0), strict=True)] == [
        Flag.NONE,
        Flag.NONE,
        Flag.DISAGREES,
    ]


@pytest.mark.parametrize("seed", range(5))
@pytest.mark.parametrize(
    ("quantity", "middle", "swing", "noise"),
    # a day's course and noise of a home-made sensor: common practice, no source
    [
        ("temperature", 24.5, 1.0, 0.06),
        ("ph", 6.9, 0.5, 0.02),
        ("conductivity", 250.0, 10.0, 3.0),
        ("dissolved_oxygen", 7.5, 1.0, 0.08),
        ("illuminance", 6000.0, 6000.0, 100.0),
    ],
)
def test_a_healthy_sensor_is_never_doubted(memory, quantity, middle, swing, noise, seed):
    chance = random.Random(seed)
    values = [
        max(0.0, middle + swing * math.sin(n / 2880 * math.tau) + chance.gauss(0, noise))
        for n in range(2 * 2880)
    ]
    assert set(Series(memory, quantity).feed(*values)) == {Flag.NONE}


def test_gas_switched_on_is_no_spike_at_any_sampling(memory):
    # pH falls by 1.0 with a time constant of 40 min when CO2 is switched on
    for every_s in (30, 60, 300, 600):
        series = Series(SeriesMemory(), "ph", every_s=every_s)
        fall = [7.2 - (1 - math.exp(-n * every_s / 2400)) for n in range(7200 // every_s)]
        flags = series.feed(*[7.2] * 20, *fall)
        assert Flag.SPIKE not in flags, every_s


# -- the device's clock


def wrong(memory, time_us, arrival_us=START):
    if is_absurd(time_us, arrival_us, CLOCK):
        return True
    series = memory.series("reed", "temperature", "main", arrival_us + CLOCK.future_us)
    return is_wrong(series, time_us, arrival_us, memory)


def test_absurd_clocks(memory):
    assert wrong(memory, 0)
    assert wrong(memory, START + 301 * S)
    assert wrong(memory, START - int(BACKLOG_S + 1) * S)
    assert not wrong(memory, START + 299 * S)
    assert not wrong(memory, START - 86_400 * S)


def stamped(memory, time_us, arrival_us, value=24.0):
    """What the processor does with one reading that has a time; returns (wrong, flags)."""
    is_wrong = wrong(memory, time_us, arrival_us)
    series = memory.series("reed", "temperature", "main", arrival_us + CLOCK.future_us)
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


class Past:
    """A store's history of one series."""

    def __init__(self, time_us, values):
        self.time_us = np.array(time_us, np.int64)
        self.values = np.array(values, np.float64)
        self.asked = 0
        self.away = False

    def __call__(self, key, start_us, end_us):
        self.asked += 1
        if self.away:
            raise StoreUnavailableError("away")
        keep = (self.time_us >= start_us) & (self.time_us < end_us)
        n = int(keep.sum())
        return Samples(self.time_us[keep], self.values[keep], np.zeros(n, np.int32))


def test_restart_changes_no_verdict():
    values = [24.0] * (6 * 24)
    past = Past([START - (len(values) - n) * 600 * S for n in range(len(values))], values)
    series = Series(SeriesMemory(past), every_s=600)
    series.memory.begin_batch()
    series.time_us = START - 600 * S
    assert series.feed(24.0, 31.0) == [Flag.STUCK, Flag.SPIKE]
    assert past.asked == 1


def test_restart_knows_the_newest_time_and_what_is_stored():
    past = Past([START - 7200 * S, START], [24.0, 24.0])
    memory = SeriesMemory(past)
    memory.begin_batch()
    assert not wrong(memory, START - 7200 * S, START + S)
    assert wrong(memory, START - 7201 * S, START + S)


def test_store_away_does_not_stop_judging():
    past = Past([START], [24.0])
    past.away = True
    memory = SeriesMemory(past)
    memory.begin_batch()
    assert Series(memory).feed(24.0, 24.1) == [Flag.NONE, Flag.NONE]
    assert past.asked == 1


def test_arrivals_are_stored_apart_by_the_stores_resolution(memory):
    series = memory.series("reed", "ph", "main", START)
    times = [arrival_time_us(series, START + n * 10, 1000) for n in range(5)]
    assert times == [START + n * 1000 for n in range(5)]
    other = memory.series("reed", "ph", "other", START)
    assert arrival_time_us(other, START + 50, 1000) == START


def test_memory_is_bounded():
    memory = SeriesMemory(most_series=100)
    for n in range(1000):
        Series(memory, sensor=f"s{n}").feed(24.0)
    assert len(memory) == 100
