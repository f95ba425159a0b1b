"""Readings around excursions: the same excursions as from all readings, from far fewer."""

from __future__ import annotations

from datetime import UTC, datetime

import numpy as np
import pytest

from service.science.temperature.excursions import excursions
from service.store import Flag, Reading, SeriesKey
from service.store.range_exits import read_outside
from service.store.sqlite.store import SqliteStore
from service.times import to_us

MINUTE, HOUR, DAY = 60_000_000, 3_600_000_000, 86_400_000_000
T0 = to_us(datetime(2026, 6, 1, 5, 13, tzinfo=UTC))
KEY = SeriesKey("quarry-pool", "temperature", "probe-1")
LOW, HIGH, BAND = 23.0, 26.0, 0.2


def wandering(days, seed, gap_share):
    """A temperature that wanders in and out of the range, with holes of minutes to hours."""
    rng = np.random.default_rng(seed)
    times = T0 + np.arange(0, days * DAY, 5 * MINUTE)
    slow = 24.5 + 1.5 * np.sin(np.arange(len(times)) / 700) + rng.normal(0, 0.05, len(times))
    keep = rng.random(len(times)) > 0.02
    for start in rng.integers(0, len(times), int(days * gap_share)):
        keep[start : start + rng.integers(3, 60)] = False
    return times[keep], np.round(slow[keep], 2)


@pytest.fixture
def store(tmp_path):
    store = SqliteStore(tmp_path / "readings.db")
    yield store
    store.close()


def fill(store, times, values):
    rows = zip(times.tolist(), values.tolist(), strict=True)
    store.write([Reading(*("quarry-pool", "temperature", "probe-1"), t, v) for t, v in rows])


@pytest.mark.parametrize("seed", range(6))
def test_excursions_are_the_same_as_from_all_readings(store, seed):
    times, values = wandering(60, seed, gap_share=0.4)
    fill(store, times, values)
    start, end = int(times[100]) + 1, int(times[-50])
    all_of_them = store.read(KEY, start, end)
    few = read_outside(store, KEY, start, end, low=LOW, high=HIGH, band=BAND)
    expected = excursions(all_of_them.time_s, all_of_them.value, LOW, HIGH, hysteresis_c=BAND)
    found = excursions(few.time_s, few.value, LOW, HIGH, hysteresis_c=BAND)
    assert len(expected) > 3
    assert found == expected
    assert np.all(np.diff(few.time_us) > 0)
    assert len(few) < 0.8 * len(all_of_them)


def test_series_always_inside_reads_nothing(store):
    times = T0 + np.arange(0, 10 * DAY, 5 * MINUTE)
    fill(store, times, np.full(len(times), 24.0))
    assert len(read_outside(store, KEY, T0, T0 + 10 * DAY, low=LOW, high=HIGH)) == 0
    assert len(read_outside(store, KEY, T0, T0 + 10 * DAY)) == 0


def test_one_reading_outside_comes_with_its_neighbours_across_a_hole(store):
    times = np.array([0, 1, 26, 27, 60, 61]) * HOUR + T0
    fill(store, times, np.array([24.0, 24.0, 27.0, 24.0, 24.0, 24.0]))
    found = read_outside(store, KEY, T0, T0 + 10 * DAY, low=LOW, high=HIGH)
    assert found.time_us.tolist() == times[1:4].tolist()


def test_a_stretch_that_only_nears_the_range_is_not_read(store):
    times = T0 + np.arange(0, 10 * DAY, 5 * MINUTE)
    values = np.full(len(times), 24.0)
    values[500:520] = HIGH - BAND / 2
    values[1000:1050] = HIGH - BAND / 2
    values[1040] = HIGH + BAND
    fill(store, times, values)
    found = read_outside(store, KEY, T0, T0 + 10 * DAY, low=LOW, high=HIGH, band=BAND)
    assert times[999] <= found.time_us[0] + HOUR and found.time_us[0] > times[520]
    # All of the stretch near the limit is there, and a reading inside on both sides of it.
    assert (found.value[0], found.value[-1]) == (24.0, 24.0)
    assert set(times[999:1051].tolist()) <= set(found.time_us.tolist())


def test_excursions_with_one_hour_between_them_share_no_reading(store):
    """The hour between is read for both, since no reading lies near its ends."""
    times = T0 // HOUR * HOUR + np.array([0, 30, 90, 150, 210, 300]) * MINUTE + 10 * DAY
    fill(store, times, np.array([24.0, 27.0, 24.0, 27.0, 24.0, 24.0]))
    found = read_outside(store, KEY, T0, T0 + 20 * DAY, low=LOW, high=HIGH)
    assert found.time_us.tolist() == times[:5].tolist()


def test_a_short_span_is_read_as_it_is(store):
    times = T0 + np.arange(0, 10 * HOUR, 5 * MINUTE)
    fill(store, times, np.full(len(times), 24.0))
    assert len(read_outside(store, KEY, T0, T0 + 10 * HOUR, high=HIGH)) == len(times)


def test_flagged_readings_are_not_outside(store):
    times = T0 + np.arange(0, 10 * DAY, 5 * MINUTE)
    fill(store, times, np.full(len(times), 24.0))
    store.write([Reading(*("quarry-pool", "temperature", "probe-1"), T0 + 1, 99.0, Flag.SPIKE)])
    assert len(read_outside(store, KEY, T0, T0 + 10 * DAY, high=HIGH)) == 0
