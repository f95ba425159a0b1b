"""The memory of all series: read from the store first, bounded."""

from __future__ import annotations

import math
import time

import numpy as np
import pytest

from ingest.process.device_clock import arrival_time_us
from ingest.process.series import SeriesMemory
from service.errors import StoreUnavailableError
from service.store import Flag, Samples, SeriesKey
from tests.ingest.process.feeding import START, S, Series, wrong
from tests.labelled_series import all_series


class Past:
    """A store's history of one series."""

    def __init__(self, time_us, values, flags=Flag.NONE):
        self.time_us = np.array(time_us, np.int64)
        self.values = np.array(values, np.float64)
        self.flags = int(flags)
        self.asked = 0
        self.away = False

    def __call__(self, key, start_us, end_us):
        self.asked += 1
        if self.away:
            raise StoreUnavailableError("away")
        keep = (self.time_us >= start_us) & (self.time_us < end_us)
        n = int(keep.sum())
        return Samples(self.time_us[keep], self.values[keep], np.full(n, self.flags, np.int32))


def test_restart_changes_no_verdict():
    values = [24.06] * (6 * 24)
    past = Past([START - (len(values) - n) * 600 * S for n in range(len(values))], values)
    series = Series(SeriesMemory(past), every_s=600)
    series.memory.begin_batch()
    series.time_us = START - 600 * S
    assert series.feed(24.06, 31.0) == [Flag.STUCK, Flag.SPIKE]
    assert past.asked == 1


def test_restart_within_an_excursion_changes_no_verdict():
    values = [*[8.30, 8.31] * 8, 8.10, 8.12]
    past = Past([START - (len(values) - n) * 900 * S for n in range(len(values))], values)
    series = Series(SeriesMemory(past), "ph", every_s=900)
    series.memory.begin_batch()
    series.time_us = START - 900 * S
    # its own reading, and then the two of before the restart
    assert series.feed(8.30) == [Flag.NONE, Flag.SPIKE, Flag.SPIKE]
    assert list(series.flags) == [START, *past.time_us[-2:]]


def test_restart_leaves_a_stuck_sensor_stuck():
    past = Past([START - (20 - n) * 600 * S for n in range(20)], [24.0] * 20, Flag.STUCK)
    series = Series(SeriesMemory(past), every_s=600)
    series.memory.begin_batch()
    series.time_us = START - 600 * S
    assert series.feed(24.0) == [Flag.STUCK]
    assert series.feed(24.5)[-1] == Flag.NONE


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


@pytest.mark.parametrize("renewed", ["warmed", "forgotten"])
def test_arrivals_are_stored_apart_though_the_history_comes_later(renewed):
    past = Past([START - 600 * S], [24.0])
    memory = SeriesMemory(past, resolution_us=1000)
    name = ("reed", "temperature", "main")
    times = [arrival_time_us(memory.series(name, START), START, 1000) for _ in range(100)]
    if renewed == "forgotten":
        memory.forget(SeriesKey(*name))
    memory.begin_batch()  # the time for reading history begins
    assert memory.series(name, START).warm
    times += [arrival_time_us(memory.series(name, START), START + 1000, 1000) for _ in range(100)]
    assert len(set(times)) == 200


def test_of_each_batch_one_series_is_read_however_slow_the_machine_is():
    memory = SeriesMemory(Past([START - 600 * S], [24.0]), warm_up_s=1e-9)
    names = [("reed", "temperature", sensor) for sensor in ("main", "sump")]
    for warm in ([True, False], [True, True]):
        memory.begin_batch()
        time.sleep(1e-6)  # much longer than all of the time for reading
        assert [memory.series(name, START).warm for name in names] == warm


def test_memory_is_bounded():
    memory = SeriesMemory(most_series=100)
    for n in range(1000):
        Series(memory, sensor=f"s{n}").feed(24.0)
    assert len(memory) == 100


class Kept:
    """A store that has what was judged so far."""

    def __init__(self):
        self.flags: dict[int, int] = {}
        self.values: dict[int, float] = {}

    def __call__(self, key, start_us, end_us):
        times = [at for at in self.flags if start_us <= at < end_us]
        return Samples(
            np.array(times, np.int64),
            np.array([self.values[at] for at in times]),
            np.array([self.flags[at] for at in times], np.int32),
        )


def judged(labelled, restart_every):
    """The flags of a series, with a restart after every so many readings."""
    kept = Kept()
    for at, value in enumerate(labelled.value[:1500].tolist()):
        if at % restart_every == 0:
            series = Series(SeriesMemory(kept, warm_up_s=math.inf), labelled.quantity)
            series.memory.begin_batch()
        series.time_us = START + at * labelled.every_s * S - series.every_us
        kept.values[series.time_us + series.every_us] = value
        series.feed(value)
        kept.flags |= {time_us: int(flag) for time_us, flag in series.flags.items()}
        series.flags.clear()
    return list(kept.flags.values())


def test_restarts_change_no_flag_of_a_series_with_excursions():
    labelled = next(one for one in all_series(1) if one.quantity == "ph")
    flags = judged(labelled, 10_000)
    assert flags.count(Flag.SPIKE) > 30
    assert judged(labelled, 37) == flags
