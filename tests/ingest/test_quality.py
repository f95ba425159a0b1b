"""Flags: every doubt arises, and none arises on a healthy sensor."""

from __future__ import annotations

import math
import random

import numpy as np
import pytest

from ingest.process.device_clock import BACKLOG_S, StampLimits
from ingest.process.quality import Judge
from ingest.process.quality.limits import LIMITS
from service.errors import StoreUnavailableError
from service.store import Flag, Reading, Samples
from service.units import QUANTITIES

S = 1_000_000
START = 1_700_000_000 * S
STAMPS = StampLimits(3600 * S, 300 * S)


class Series:
    """Feeds one series to a judge and keeps what a store would hold."""

    def __init__(self, judge, quantity="temperature", sensor="main", every_s=30):
        self.judge, self.quantity, self.sensor = judge, quantity, sensor
        self.every_us = every_s * S
        self.time_us = START
        self.flags: dict[int, Flag] = {}

    def feed(self, *values):
        for value in values:
            self.time_us += self.every_us
            reading = Reading("reed", self.quantity, self.sensor, self.time_us, value)
            judged = self.judge.judge(reading, self.time_us, from_device=False)
            for kept in (judged.reading, *judged.corrected):
                self.flags[kept.time_us] = kept.flags
        return list(self.flags.values())


@pytest.fixture
def judge():
    return Judge(STAMPS)


def test_every_quantity_has_limits():
    assert set(LIMITS) == set(QUANTITIES)


def test_implausible(judge):
    # -127 and 85 are what a common digital thermometer says when it is not read properly
    assert Series(judge).feed(-127.0, 85.0, 24.0) == [Flag.IMPLAUSIBLE, Flag.IMPLAUSIBLE, 0]


def test_spike_stays_flagged_and_its_neighbours_do_not(judge):
    flags = Series(judge).feed(*[24.0] * 10, 31.0, *[24.1] * 5)
    assert [n for n, flag in enumerate(flags) if flag] == [10]
    assert flags[10] == Flag.SPIKE


def test_step_of_the_water_is_doubted_until_it_is_confirmed(judge):
    series = Series(judge)
    assert series.feed(*[24.0] * 10, 21.0, 21.1)[-2:] == [Flag.SPIKE, Flag.SPIKE]
    assert set(series.feed(21.0, 21.0)) == {Flag.NONE}


def test_after_a_silence_nothing_is_a_spike(judge):
    series = Series(judge)
    series.feed(*[24.0] * 10)
    series.time_us += 3600 * S
    assert series.feed(20.0)[-1] == Flag.NONE


def test_light_is_switched_and_that_is_no_spike(judge):
    series = Series(judge, "illuminance")
    assert set(series.feed(*[0.0] * 10, 12_000.0, 12_100.0, *[0.0] * 3)) == {Flag.NONE}


def test_stuck_thermometer(judge):
    flags = Series(judge, every_s=600).feed(*[24.0] * (6 * 25))
    assert flags[6 * 24 - 1] == Flag.NONE
    assert set(flags[6 * 24 :]) == {Flag.STUCK}


def test_dark_is_not_stuck_but_a_constant_light_is(judge):
    dark = Series(judge, "illuminance", "a", every_s=600)
    assert set(dark.feed(*[0.0] * (6 * 48))) == {Flag.NONE}
    lit = Series(judge, "illuminance", "b", every_s=600)
    assert lit.feed(*[5000.0] * (6 * 27))[-1] == Flag.STUCK


def test_two_sensors_that_differ_both_disagree(judge):
    first, second = Series(judge, sensor="a"), Series(judge, sensor="b")
    assert first.feed(24.0) == [Flag.NONE]
    assert second.feed(25.5) == [Flag.DISAGREES]
    assert first.feed(24.0)[-1] == Flag.DISAGREES


def test_of_three_sensors_the_odd_one_out_disagrees(judge):
    sensors = [Series(judge, sensor=name) for name in "abc"]
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
def test_a_healthy_sensor_is_never_doubted(judge, quantity, middle, swing, noise, seed):
    chance = random.Random(seed)
    values = [
        max(0.0, middle + swing * math.sin(n / 2880 * math.tau) + chance.gauss(0, noise))
        for n in range(2 * 2880)
    ]
    assert set(Series(judge, quantity).feed(*values)) == {Flag.NONE}


def test_gas_switched_on_is_no_spike_at_any_sampling(judge):
    # pH falls by 1.0 with a time constant of 40 min when CO2 is switched on
    for every_s in (30, 60, 300, 600):
        series = Series(Judge(STAMPS), "ph", every_s=every_s)
        fall = [7.2 - (1 - math.exp(-n * every_s / 2400)) for n in range(7200 // every_s)]
        flags = series.feed(*[7.2] * 20, *fall)
        assert Flag.SPIKE not in flags, every_s


# -- the device's clock


def wrong(judge, time_us, arrival_us=START):
    return judge.clock_is_wrong("reed", "temperature", "main", time_us, arrival_us)


def test_absurd_clocks(judge):
    assert wrong(judge, 0)
    assert wrong(judge, START + 301 * S)
    assert wrong(judge, START - int(BACKLOG_S + 1) * S)
    assert not wrong(judge, START + 299 * S)
    assert not wrong(judge, START - 86_400 * S)


def stamped(judge, time_us, arrival_us, value=24.0):
    """What the pipeline does with one stamped reading; returns (wrong, flags)."""
    is_wrong = wrong(judge, time_us, arrival_us)
    reading = Reading("reed", "temperature", "main", arrival_us if is_wrong else time_us, value)
    judged = judge.judge(reading, arrival_us, from_device=not is_wrong)
    return is_wrong, judged.reading.flags


def test_late_is_told_and_used(judge):
    assert stamped(judge, START - 2 * 3600 * S, START) == (False, Flag.LATE)


def test_queue_sent_oldest_first_is_late_not_wrong(judge):
    stamped(judge, START, START)
    arrival_us = START + 7200 * S
    for n in range(1, 240):
        is_wrong, flags = stamped(judge, START + n * 30 * S, arrival_us)
        assert not is_wrong
        assert bool(flags & Flag.LATE) == (n * 30 < 3600)


def test_clock_that_jumps_back_stays_wrong_until_it_is_right_again(judge):
    stamped(judge, START, START)
    for n in range(1, 500):  # long enough for the wrong clock to pass where it jumped from
        now_us = START + n * 30 * S
        assert stamped(judge, now_us - 3 * 3600 * S, now_us)[0], n
    now_us = START + 500 * 30 * S
    assert not stamped(judge, now_us, now_us)[0]


def test_a_message_sent_twice_is_no_jump(judge):
    for n in range(8):
        stamped(judge, START + n * 60 * S, START + n * 60 * S)
    assert not stamped(judge, START + 60 * S, START + 480 * S)[0]


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
    series = Series(Judge(STAMPS, past), every_s=600)
    series.judge.begin_batch()
    series.time_us = START - 600 * S
    assert series.feed(24.0, 31.0) == [Flag.STUCK, Flag.SPIKE]
    assert past.asked == 1


def test_restart_knows_the_newest_time_and_what_is_stored():
    past = Past([START - 7200 * S, START], [24.0, 24.0])
    judge = Judge(STAMPS, past)
    judge.begin_batch()
    assert not wrong(judge, START - 7200 * S, START + S)
    assert wrong(judge, START - 7201 * S, START + S)


def test_store_away_does_not_stop_judging():
    past = Past([START], [24.0])
    past.away = True
    judge = Judge(STAMPS, past)
    judge.begin_batch()
    assert Series(judge).feed(24.0, 24.1) == [Flag.NONE, Flag.NONE]
    assert past.asked == 1


def test_arrivals_are_kept_apart_by_the_stores_resolution():
    judge = Judge(STAMPS, resolution_us=1000)
    times = [judge.arrival_time_us("reed", "ph", "main", START + n * 10) for n in range(5)]
    assert times == [START + n * 1000 for n in range(5)]
    assert judge.arrival_time_us("reed", "ph", "other", START + 50) == START


def test_memory_is_bounded(judge, monkeypatch):
    monkeypatch.setattr("ingest.process.quality.judge._SERIES", 100)
    for n in range(1000):
        Series(judge, sensor=f"s{n}").feed(24.0)
    assert len(judge._series) == 100
