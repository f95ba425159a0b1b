"""Means from the cache are those of the store, whatever was written, rewritten or deleted."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from service.derive.caching.series_cache import SeriesCache
from service.derive.caching.series_refresh import DAY_US, refresh
from service.derive.caching.series_totals import Totals
from service.derive.series_reading import HOUR_US, means, step_of
from service.errors import StoreUnavailableError
from service.store.model import Buckets, Flag, Reading, SeriesKey
from service.store.sqlite.store import SqliteStore

KEY = SeriesKey("reed", "temperature", "s")


@pytest.mark.parametrize("quantity", ["temperature", "illuminance"])
@pytest.mark.parametrize("apart_us", [HOUR_US, HOUR_US // 20])
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_reads_what_the_store_holds_after_writes_of_all_kinds(
    seed: int, apart_us: int, quantity: str, tmp_path: Path
) -> None:
    """Random histories: in order, late, rewritten, flagged; sliding windows of any length."""
    rng = np.random.default_rng(seed)
    store = SqliteStore.from_url(f"sqlite:///{tmp_path / 'readings.db'}")
    key = SeriesKey("reed", quantity, "s")
    cache = SeriesCache(store, 2 * DAY_US)
    now_us = 20_000 * DAY_US + 12_345_678
    for _ in range(60):
        now_us += int(rng.integers(1, apart_us))
        newest = now_us - rng.integers(0, 600_000_000, 5)
        older = now_us - rng.integers(0, 4 * DAY_US, rng.integers(0, 4))
        times = np.concatenate((newest, older)) // 60_000_000 * 60_000_000
        store.write(
            [
                Reading(*_names(key), int(at), float(rng.normal(24)), rng.choice(_FLAGS))
                for at in times
            ]
        )
        start_us = now_us - int(rng.integers(HOUR_US, 3 * DAY_US))
        expected = means(store)(key, start_us, now_us + 1)
        found = cache.read(key, start_us, now_us + 1)
        np.testing.assert_array_equal(found.time_us, expected.time_us)
        np.testing.assert_array_equal(found.value, expected.value)
    store.delete_tank("reed")
    assert len(cache.read(key, now_us - DAY_US, now_us + 1)) == 0
    store.close()


_FLAGS = [Flag.NONE, Flag.NONE, Flag.LATE, Flag.SPIKE]


def _names(key: SeriesKey) -> tuple[str, str, str]:
    return key.tank, key.quantity, key.sensor


class CountingStore(SqliteStore):
    """Notes the start, end and length of span of each question for means and totals."""

    asked: list[tuple[int, int, int]]

    def aggregates(
        self,
        keys: Sequence[SeriesKey],
        start_us: int,
        end_us: int,
        every_us: int,
        **wanted: Any,
    ) -> list[Buckets]:
        """As the store's."""
        found = super().aggregates(keys, start_us, end_us, every_us, **wanted)
        self.asked.append((start_us, end_us, every_us))
        return found


def test_between_two_hours_only_days_that_differ_are_read(tmp_path: Path) -> None:
    store = CountingStore.from_url(f"sqlite:///{tmp_path / 'readings.db'}")
    assert isinstance(store, CountingStore)
    store.asked = []
    start_us, end_us = 20_000 * DAY_US + HOUR_US, 20_004 * DAY_US + 90
    store.write([Reading(*_names(KEY), start_us + n * HOUR_US, 24.0) for n in range(90)])
    cache = SeriesCache(store, DAY_US)

    def asked_at(end_us: int) -> list[tuple[int, int, int]]:
        store.asked.clear()
        found = cache.read(KEY, start_us, end_us)
        asked = list(store.asked)
        expected = means(store)(KEY, start_us, end_us)
        np.testing.assert_array_equal(found.value, expected.value)
        np.testing.assert_array_equal(found.time_us, expected.time_us)
        return asked

    days = (start_us, end_us, DAY_US)
    assert asked_at(end_us)[:2] == [days, (start_us, end_us, HOUR_US)]
    assert asked_at(end_us) == [days]
    changed_us = 20_002 * DAY_US + 7 * HOUR_US
    store.write([Reading(*_names(KEY), changed_us, 25.0)])
    step_us = step_of("temperature")
    assert asked_at(end_us) == [
        days,
        (20_002 * DAY_US, 20_003 * DAY_US, HOUR_US),
        (changed_us, changed_us + HOUR_US, step_us),
    ]
    store.write([Reading(*_names(KEY), start_us, 23.0)])  # of a day that begins before the window
    assert asked_at(end_us)[1:] == [
        (start_us, 20_001 * DAY_US, HOUR_US),
        (start_us, start_us + HOUR_US, step_us),
    ]
    swapped_us = 20_001 * DAY_US, 20_001 * DAY_US + 5 * HOUR_US
    before = [(swapped_us[0], 24.0), (swapped_us[1], 26.0)]
    after = [(swapped_us[0], 26.0), (swapped_us[1], 24.0)]
    store.write([Reading(*_names(KEY), *one) for one in before])
    asked_at(end_us)
    store.write([Reading(*_names(KEY), *one) for one in after])  # the day's totals stay
    assert (swapped_us[0], swapped_us[0] + HOUR_US, step_us) in asked_at(end_us + HOUR_US)
    store.close()


def test_totals_differ_by_number_sum_or_presence() -> None:
    def hours(*rows: tuple[int, int, float]) -> Totals:
        columns = zip(*rows, strict=True)
        start, count, total = (np.array(one) for one in columns)
        return Totals(start * HOUR_US, count, total.astype(np.float64))

    one = hours((1, 60, 1440.0), (2, 60, 1440.0), (4, 60, 1440.0))
    assert one.differing(one).tolist() == []
    other = hours((1, 60, 1440.0), (2, 59, 1440.0), (3, 1, 0.0), (4, 60, 1440.1))
    assert (one.differing(other) // HOUR_US).tolist() == [2, 3, 4]
    assert (other.differing(one) // HOUR_US).tolist() == [2, 3, 4]
    assert (one.differing(Totals()) // HOUR_US).tolist() == [1, 2, 4]
    same_hours = hours((1, 60, 1440.0), (2, 60, 1441.0), (4, 60, 1440.0))
    assert (one.differing(same_hours) // HOUR_US).tolist() == [2]
    assert one.digest() != same_hours.digest() and one.digest() != other.digest()
    assert one.part(2 * HOUR_US, 4 * HOUR_US).start_us.tolist() == [2 * HOUR_US]


class FailingStore(CountingStore):
    """Goes away at a question for means."""

    means_left = 1_000

    def aggregates(
        self,
        keys: Sequence[SeriesKey],
        start_us: int,
        end_us: int,
        every_us: int,
        **wanted: Any,
    ) -> list[Buckets]:
        """As the store's, until so many questions for means were answered."""
        if every_us == step_of("temperature"):
            if not self.means_left:
                raise StoreUnavailableError("away")
            self.means_left -= 1
        return super().aggregates(keys, start_us, end_us, every_us, **wanted)


@pytest.mark.parametrize("answered", [0, 1])
@pytest.mark.parametrize("later", [25.0, 24.0], ids=["stays", "taken back"])
def test_what_failed_midway_is_read_again(answered: int, later: float, tmp_path: Path) -> None:
    """The store goes away after the question for totals, before or amid those for means."""
    store = FailingStore.from_url(f"sqlite:///{tmp_path / 'readings.db'}")
    assert isinstance(store, FailingStore)
    store.asked = []
    start_us, end_us = 20_000 * DAY_US, 20_001 * DAY_US + 90
    store.write([Reading(*_names(KEY), start_us + n * HOUR_US, 24.0) for n in range(24)])
    cache = SeriesCache(store, DAY_US)
    cache.read(KEY, start_us, end_us)
    changed_us = [start_us + hour * HOUR_US for hour in (7, 12)]
    store.write([Reading(*_names(KEY), at, 25.0) for at in changed_us])
    store.means_left = answered
    with pytest.raises(StoreUnavailableError):
        cache.read(KEY, start_us, end_us)
    store.means_left = 1_000
    store.write([Reading(*_names(KEY), at, later) for at in changed_us])
    assert cache.read(KEY, start_us, end_us).value[[7, 12]].tolist() == [later, later]
    store.close()


@pytest.mark.parametrize("back_us", [3 * HOUR_US, HOUR_US // 2])
def test_what_is_deleted_while_the_clock_is_put_back_is_gone(back_us: int, tmp_path: Path) -> None:
    store = SqliteStore.from_url(f"sqlite:///{tmp_path / 'readings.db'}")
    start_us, end_us = 20_000 * DAY_US, 20_001 * DAY_US - 90
    readings = [Reading(*_names(KEY), start_us + n * HOUR_US // 6, 24.0) for n in range(143)]
    store.write(readings)
    cache = SeriesCache(store, DAY_US)
    assert len(cache.read(KEY, start_us, end_us)) == 143
    until_us = end_us - back_us
    kept = [one for one in readings if one.time_us < until_us]
    assert len(cache.read(KEY, start_us, until_us)) == len(kept)
    store.delete_tank(KEY.tank)
    store.write(kept)
    for now_us in (until_us, end_us):
        assert len(cache.read(KEY, start_us, now_us)) == len(kept)
    store.close()


def test_the_series_of_many_tanks_are_asked_for_together(tmp_path: Path) -> None:
    store = CountingStore.from_url(f"sqlite:///{tmp_path / 'readings.db'}")
    assert isinstance(store, CountingStore)
    store.asked = []
    start_us, end_us = 20_000 * DAY_US, 20_002 * DAY_US + 90
    keys = [SeriesKey(f"tank-{n}", "temperature", "s") for n in range(7)]
    for key in keys:
        store.write([Reading(*_names(key), start_us + n * HOUR_US, 24.0) for n in range(48)])
    caches = {key: SeriesCache(store, 2 * DAY_US) for key in keys}

    def questions(end_us: int) -> int:
        store.asked.clear()
        refresh(store, [one for key in keys for one in caches[key].renewals([key], end_us)])
        asked = len(store.asked)
        for key in keys:
            found = caches[key].read(key, start_us + HOUR_US, end_us)
            assert len(store.asked) == asked, "it was read already"
            expected = means(store)(key, start_us + HOUR_US, end_us)
            np.testing.assert_array_equal(found.value, expected.value)
            store.asked[asked:] = []
        return asked

    assert questions(end_us) == 3
    assert questions(end_us) == 1
    new_us = end_us + 60_000_000
    store.write([Reading(*_names(key), new_us, 24.5) for key in keys])
    assert questions(new_us + 1) == 3
    caches[keys[0]].ask_again()
    store.write([Reading(*_names(keys[0]), new_us - 1, 26.0)])
    assert 25.25 in caches[keys[0]].read(keys[0], start_us, new_us + 1).value
    store.close()
