"""Readings of a file, judged by columns, get the very flags that they get one by one."""

from __future__ import annotations

import random
from collections import Counter

import pytest

from ingest.process.archived import judge_archived
from ingest.process.quality.judge import judge
from ingest.process.series import SeriesMemory
from service.store import Flag, Reading
from service.store.columns import ReadingColumns
from tests.ingest.process.streams import SENSORS, START, S, readings_of

FUTURE_US = START + 20 * 86_400 * S


def one_by_one(memory, readings):
    """What is stored of each time in the end, and what has changed of before."""
    stored = {}
    for one in sorted(readings, key=lambda one: one.time_us):
        series = memory.series((one.tank, one.quantity, one.sensor), one.time_us)
        parts = judge(series, one, late=False)
        stored |= {(each.key, each.time_us): each for each in (parts.reading, *parts.corrected)}
    return stored


def by_columns(memory, readings):
    judged = judge_archived(memory, ReadingColumns.of(readings), FUTURE_US)
    return {(one.key, one.time_us): one for one in judged.stored()}


def batches_of(readings, size):
    return [readings[at : at + size] for at in range(0, len(readings), size)]


@pytest.mark.parametrize(
    ("seed", "size", "mixed"),
    [(0, 1500, False), (1, 200, False), (2, 37, True), (3, 700, True), (4, 2000, True)],
)
def test_every_batch_is_judged_as_one_by_one(seed, size, mixed):
    readings = readings_of("cove", SENSORS, 50 + seed, 500)
    if mixed:
        readings.sort(key=lambda one: one.time_us)
    slow, quick = SeriesMemory(), SeriesMemory()
    counts = Counter()
    for batch in batches_of(readings, size):
        expected = one_by_one(slow, batch)
        assert by_columns(quick, batch) == expected
        counts.update(flag.name for one in expected.values() for flag in one.flags)
    assert {"IMPLAUSIBLE", "SPIKE", "STUCK", "DISAGREES"} <= set(counts)


@pytest.mark.parametrize("quantity", ["temperature", "ph", "illuminance", "conductivity"])
def test_times_that_come_twice_and_in_any_order_are_judged_as_one_by_one(quantity):
    chance = random.Random(quantity)
    slow, quick = SeriesMemory(), SeriesMemory()
    readings = readings_of("cove", [(quantity, "main")], 3, 1500)
    readings += chance.sample(readings, 100)
    readings += [
        Reading(one.tank, one.quantity, one.sensor, one.time_us, one.value + 0.25, raw=one.value)
        for one in chance.sample(readings, 30)
    ]
    readings.sort(key=lambda one: one.time_us + chance.choice((0, 0, 5, 50)) * 600 * S)
    seen = 0
    for batch in batches_of(readings, 90):
        expected = one_by_one(slow, batch)
        assert by_columns(quick, batch) == expected
        seen += sum(one.flags != Flag.NONE for one in expected.values())
    assert seen > 10
    assert len(quick) == len(slow) == 1


def test_long_quiet_stretches_are_judged_as_one_by_one():
    chance = random.Random(8)
    slow, quick = SeriesMemory(), SeriesMemory()
    readings, time_us = [], START
    for _ in range(30):
        value = chance.choice((24.0, 24.06, 0.0, 0.3))
        noise = chance.choice((0.0, 0.004, 0.02))
        for _ in range(chance.choice((5, 200, 400))):
            time_us += 300 * S
            shown = round(value + chance.uniform(-noise, noise), 3)
            readings.append(Reading("cove", "temperature", "main", time_us, shown))
    stuck = 0
    for batch in batches_of(readings, 700):
        expected = one_by_one(slow, batch)
        assert by_columns(quick, batch) == expected
        stuck += sum(Flag.STUCK in one.flags for one in expected.values())
    assert stuck > 50


def test_stretches_about_as_long_as_a_stuck_sensor_has_are_judged_as_one_by_one():
    """So far apart in time that a dozen values suffice; in batches that cut the stretches."""
    chance = random.Random(13)
    slow, quick = SeriesMemory(), SeriesMemory()
    readings, time_us = [], START - 400 * 86_400 * S
    for _ in range(150):
        value = chance.choice((24.0, 24.3, 24.6, 24.9))
        for _ in range(chance.choice((1, 2, 10, 11, 12, 13, 14, 30))):
            time_us += chance.choice((7000, 9000)) * S
            shown = round(value + chance.choice((0.0, 0.001, 0.003)), 3)
            readings.append(Reading("cove", "temperature", "main", time_us, shown))
    counts = Counter()
    for size in (1, 12, 40, 400):
        for batch in batches_of(readings[:400], size):
            expected = one_by_one(slow, batch)
            assert by_columns(quick, batch) == expected
            counts.update(Flag.STUCK in one.flags for one in expected.values())
        readings = readings[400:]
    assert min(counts[True], counts[False]) > 200


def test_a_time_ahead_is_flagged_and_counts_for_nothing():
    readings = [Reading("cove", "ph", "main", FUTURE_US + n * S, 7.0) for n in (-1, 0, 1, 2)]
    judged = judge_archived(SeriesMemory(), ReadingColumns.of(readings), FUTURE_US)
    assert [one.flags for one in judged.readings] == [Flag.NONE, Flag.NONE, Flag.CLOCK, Flag.CLOCK]
