"""Looking again and again gives what reading everything anew gives."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import numpy as np
import pytest

from service.derive import cache as module
from service.derive.cache import Looks
from service.derive.models import TankView
from service.derive.queries import view_of
from service.registry.models import LogKind
from service.registry.registry import Registry, open_registry
from service.store.model import Buckets, Reading, SeriesKey
from service.store.sqlite.store import SqliteStore
from service.times import to_us
from tests.derive.pieces import KH_4, NOON, a_tank, days_of

HOUR = timedelta(hours=1)


class Counting(SqliteStore):
    """Counts the spans that it was asked to aggregate."""

    hours_read = 0.0

    def aggregate(  # type: ignore[no-untyped-def]
        self, key: SeriesKey, start_us: int, end_us: int, every_us: int, **wanted
    ) -> Buckets:
        self.hours_read += (end_us - start_us) / 3.6e9
        return super().aggregate(key, start_us, end_us, every_us, **wanted)


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Counting]:
    store = Counting.from_url(f"sqlite:///{tmp_path / 'readings.db'}")
    assert isinstance(store, Counting)
    for quantity, one in days_of(NOON + 24 * HOUR, days=10).items():
        pairs = zip(one.time_us.tolist(), one.value.tolist(), strict=True)
        store.write([Reading("reed", quantity, "s", at, value) for at, value in pairs])
    yield store
    store.close()


@pytest.fixture
def registry(tmp_path: Path) -> Iterator[Registry]:
    registry = open_registry(f"sqlite:///{tmp_path / 'registry.db'}")
    registry.put_tank(a_tank())
    yield registry
    registry.close()


def same(one: TankView, other: TankView) -> bool:
    """Equal in all that rules read; arrays compared element by element."""
    for name in ("time_us", "value", "low", "high"):
        np.testing.assert_array_equal(
            getattr(one.co2_series, name), getattr(other.co2_series, name)
        )
    assert replace(one, co2_series=other.co2_series) == other
    return True


def test_the_same_views_at_a_fraction_of_the_reading(store: Counting, registry: Registry) -> None:
    looks = Looks()
    tank = a_tank()
    first = looks.view(tank, registry, store, NOON)
    whole = store.hours_read
    assert same(first, view_of(tank, registry, store, NOON))
    for hours in (0.25, 0.5, 1.75, 4, 5.9):
        store.hours_read = 0.0
        now = NOON + hours * HOUR
        again = looks.view(tank, registry, store, now)
        assert store.hours_read < whole / 20
        assert same(again, view_of(tank, registry, store, now))


def test_a_log_entry_counts_at_once(store: Counting, registry: Registry) -> None:
    looks = Looks()
    looks.view(a_tank(), registry, store, NOON)
    registry.add_log(
        "reed", LogKind.KH_TEST, NOON - 30 * HOUR, {"kh_meq_l": KH_4 / 2}, recorded=NOON
    )
    later = looks.view(a_tank(), registry, store, NOON + HOUR)
    assert same(later, view_of(a_tank(), registry, store, NOON + HOUR))
    assert later.light_days[-2].co2_below_share is not None
    assert later.light_days[-2].co2_below_share > 0.9  # half the KH, half the CO2


def test_late_readings_count_within_the_overlap_and_all_after_hours(
    store: Counting, registry: Registry
) -> None:
    looks = Looks()
    looks.view(a_tank(), registry, store, NOON)
    for hours_ago in (1, 20):
        at = to_us(NOON - hours_ago * HOUR) + 30_000_000
        store.write([Reading("reed", "temperature", "s", at, 30.0)])
    view = looks.view(a_tank(), registry, store, NOON + 0.2 * HOUR)
    assert len(view.excursions) <= 1
    anew = looks.view(a_tank(), registry, store, NOON + 7 * HOUR)
    assert same(anew, view_of(a_tank(), registry, store, NOON + 7 * HOUR))


def test_a_changed_tank_begins_anew(store: Counting, registry: Registry) -> None:
    looks = Looks()
    looks.view(a_tank(), registry, store, NOON)
    dim = a_tank(thresholds={"lit_on_lux": 50_000.0})
    assert same(looks.view(dim, registry, store, NOON), view_of(dim, registry, store, NOON))


def test_beyond_the_most_tanks_nothing_is_kept(
    store: Counting, registry: Registry, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(module, "MOST_TANKS", 0)
    looks = Looks()
    for _ in range(2):
        store.hours_read = 0.0
        looks.view(a_tank(), registry, store, NOON)
        assert store.hours_read > 500
