"""A view from the cache is what deriving everything again gives, whatever was rewritten."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path

import pytest

from service.cli import run
from service.derive.caching import view_cache as module
from service.derive.caching.view_cache import ViewCache
from service.derive.loader import load
from service.derive.models.tank_view import TankView
from service.derive.tank_view import tank_view
from service.registry.models.log import LogKind
from service.registry.models.tank import Tank
from service.registry.registry import Registry
from service.store.model import Flag, Reading
from service.store.sqlite.store import SqliteStore
from service.times import format_moment, from_us, to_us
from tests.derive.caching.reed import HOUR, Counting, same, shifted
from tests.derive.pieces import KH_4, NOON, a_tank


def fresh(
    registry: Registry, store: SqliteStore, now: datetime, tank: Tank | None = None
) -> TankView:
    """The view without any cache."""
    return tank_view(load(tank or a_tank(), registry, store, now))


def values(readings: list[Reading]) -> list[tuple[str, float]]:
    """Times as text with the values."""
    return [(format_moment(from_us(one.time_us)), one.value) for one in readings]


def recalibrate(folder: Path, quantity: str, start: datetime, end: datetime) -> None:
    """As a person does after a calibration was logged late."""
    config = folder / "littoral.toml"
    config.write_text(
        f'[store]\nurl = "sqlite:///{folder / "readings.db"}"\n'
        f'[registry]\nurl = "sqlite:///{folder / "registry.db"}"\n'
    )
    span = ["--start", format_moment(start), "--end", format_moment(end)]
    words = [
        "recalibrate",
        "reed",
        "--config",
        str(config),
        "--quantity",
        quantity,
        "--sensor",
        "s",
    ]
    assert run([*words, *span]) == 0


def test_the_same_views_at_a_fraction_of_the_reading(store: Counting, registry: Registry) -> None:
    views = ViewCache(registry, store)
    first = views.view(a_tank(), NOON)
    whole = store.buckets_read
    assert same(first, fresh(registry, store, NOON))
    for hours in (0.25, 0.5, 1.75, 4, 5.9, 11.0):
        store.buckets_read = 0
        now = NOON + hours * HOUR
        again = views.view(a_tank(), now)
        assert store.buckets_read < whole / 12
        assert same(again, fresh(registry, store, now))


def test_a_log_entry_counts_at_once(store: Counting, registry: Registry) -> None:
    views = ViewCache(registry, store)
    views.view(a_tank(), NOON)
    registry.add_log(
        "reed", LogKind.KH_TEST, NOON - 30 * HOUR, {"kh_meq_l": KH_4 / 2}, recorded=NOON
    )
    later = views.view(a_tank(), NOON + HOUR)
    assert same(later, fresh(registry, store, NOON + HOUR))
    assert later.light_days[-2].co2_below_share is not None
    assert later.light_days[-2].co2_below_share > 0.9  # half the KH, half the CO2


def test_readings_that_come_late_count_at_once(store: Counting, registry: Registry) -> None:
    views = ViewCache(registry, store)
    views.view(a_tank(), NOON)
    for hours_ago in (1, 20, 170):
        at = to_us(NOON - hours_ago * HOUR) + 30_000_000
        store.write([Reading("reed", "temperature", "s", at, 90.0)])
        now = NOON + 0.2 * HOUR
        view = views.view(a_tank(), now)
        assert same(view, fresh(registry, store, now))
        assert view.temperature.reading is not None


def test_late_readings_of_a_day_that_is_over_count(store: Counting, registry: Registry) -> None:
    """Midnight in Kolkata, 18:30 UTC, lies within an hour of the check."""
    tank = a_tank(time_zone="Asia/Kolkata")
    views = ViewCache(registry, store)
    midnight = NOON.replace(hour=18, minute=30)
    for minutes in (-2, 1, 5, 27, 31, 40):
        now = midnight + timedelta(minutes=minutes)
        at = to_us(midnight) - 60_000_000 * (10 + minutes)
        store.write([Reading("reed", "illuminance", "s", at + 1, 40_000.0)])
        assert same(views.view(tank, now), fresh(registry, store, now, tank))


def test_recalculated_readings_count_at_once(
    store: Counting, registry: Registry, tmp_path: Path
) -> None:
    views = ViewCache(registry, store)
    store.write(shifted(store, "temperature", NOON - 7 * 24 * HOUR, 6.0))
    warm = views.view(a_tank(), NOON)
    assert warm.usual_c == pytest.approx(30.0) and warm.excursions
    day = NOON - 7 * 24 * HOUR
    registry.add_log(
        "reed", LogKind.CALIBRATION, day, {"quantity": "temperature", "sensor": "s", "offset": -6.0}
    )
    recalibrate(tmp_path, "temperature", day, NOON + HOUR)
    view = views.view(a_tank(), NOON + timedelta(minutes=1))
    assert same(view, fresh(registry, store, NOON + timedelta(minutes=1)))
    assert view.usual_c == pytest.approx(24.0) and not view.excursions


def test_imported_older_readings_count_at_once(
    store: Counting, registry: Registry, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """CO2 that never was is gone once the pH that showed it is corrected."""
    views = ViewCache(registry, store)
    store.write(shifted(store, "ph", NOON - 30 * HOUR, -0.6))
    high = views.view(a_tank(), NOON).co2_high
    assert high is not None and high.peak_mg_l > 90
    rows = [
        f"{at},reed,ph,s,{value},[pH],0,"
        for at, value in values(shifted(store, "ph", NOON - 30 * HOUR, 0.6))
    ]
    file = tmp_path / "corrected.csv"
    file.write_text("\n".join(["time,tank,quantity,sensor,value,unit,flags,raw", *rows]) + "\n")
    monkeypatch.setenv("LITTORAL_REGISTRY__URL", f"sqlite:///{tmp_path / 'registry.db'}")
    assert run(["import", str(file), "--store", f"sqlite:///{tmp_path / 'readings.db'}"]) == 0
    view = views.view(a_tank(), NOON + timedelta(minutes=1))
    assert same(view, fresh(registry, store, NOON + timedelta(minutes=1)))
    assert view.co2_high is not None and view.co2_high.peak_mg_l < 30


def test_deleted_readings_are_gone(store: Counting, registry: Registry) -> None:
    views = ViewCache(registry, store)
    views.view(a_tank(), NOON)
    store.delete_tank("reed")
    at = to_us(NOON)
    store.write([Reading("reed", "ph", "s", at, 6.8), Reading("reed", "temperature", "s", at, 24)])
    view = views.view(a_tank(), NOON + timedelta(minutes=1))
    assert same(view, fresh(registry, store, NOON + timedelta(minutes=1)))
    assert view.light_days == () and len(view.co2_series.time_us) == 1


def test_another_believed_sensor_counts_for_the_days_before(
    store: Counting, registry: Registry
) -> None:
    views = ViewCache(registry, store)
    for quantity in ("ph", "illuminance"):
        other = shifted(store, quantity, NOON - 200 * HOUR, 0.3, sensor="other")
        store.write(other)
    views.view(a_tank(sensors={"ph": "s", "illuminance": "s"}), NOON)
    tank = a_tank(sensors={"ph": "other", "illuminance": "other"})
    assert same(views.view(tank, NOON), fresh(registry, store, NOON, tank))


def test_newcomers_change_the_target_of_days_before(store: Counting, registry: Registry) -> None:
    views = ViewCache(registry, store)
    views.view(a_tank(), NOON)
    registry.add_log("reed", LogKind.STOCKING, NOON - HOUR, {"species": "x", "count": 3})
    for hours in (0.1, 46.9, 47.1):
        now = NOON + hours * HOUR
        assert same(views.view(a_tank(), now), fresh(registry, store, now))


def test_what_the_lamp_gives_today_counts_for_the_days_before(
    store: Counting, registry: Registry
) -> None:
    """How bright the lamp is, in what was not seen of a day too, is found in all days together."""
    gone = [
        replace(one, flags=Flag.SPIKE)
        for one in shifted(store, "illuminance", NOON - 70 * HOUR, 0.0, until=NOON - 60 * HOUR)
    ]
    store.write(gone)
    views = ViewCache(registry, store)
    before = views.view(a_tank(), NOON).light_days[4].dli_high_mol_m2_d
    now = NOON + 5 * HOUR
    store.write(shifted(store, "illuminance", NOON, 9_000.0, until=now))
    view = views.view(a_tank(), now)
    assert same(view, fresh(registry, store, now))
    assert view.light_days[4].dli_high_mol_m2_d > before


def test_a_changed_tank_counts_at_once(store: Counting, registry: Registry) -> None:
    views = ViewCache(registry, store)
    views.view(a_tank(), NOON)
    dim = a_tank(thresholds={"lit_on_lux": 50_000.0})
    assert same(views.view(dim, NOON), fresh(registry, store, NOON, dim))


def test_beyond_the_most_tanks_means_are_not_cached(
    store: Counting, registry: Registry, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(module, "MOST_TANKS", 0)
    views = ViewCache(registry, store)
    for _ in range(2):
        store.buckets_read = 0
        assert same(views.view(a_tank(), NOON), fresh(registry, store, NOON))
        assert store.buckets_read > 10_000


def test_a_view_that_was_prepared_is_the_same(store: Counting, registry: Registry) -> None:
    views = ViewCache(registry, store)
    for hours in (0.0, 0.5, 1.0):
        now = NOON + hours * HOUR
        registry.add_log("reed", LogKind.TRIM, now, note=f"after {hours} h")
        views.begin()
        views.prepare([a_tank()], now)
        assert same(views.view(a_tank(), now), fresh(registry, store, now))


def test_a_view_is_made_once_of_what_was_prepared(store: Counting, registry: Registry) -> None:
    views = ViewCache(registry, store)
    views.prepare([a_tank()], NOON)
    views.view(a_tank(), NOON)
    registry.add_log("reed", LogKind.TRIM, NOON, note="since then")
    assert [one.note for one in views.view(a_tank(), NOON).log] == ["since then"]


def test_which_sensors_were_first_is_written_at_once_for_all_tanks(
    views: ViewCache, registry: Registry, store: Counting, monkeypatch: pytest.MonkeyPatch
) -> None:
    """After a failure in between nothing is written, and the next evaluation finds it again."""
    registry.put_tank(a_tank(id="fern"))
    registry.put_tank(a_tank(id="moss"))
    store.write([Reading("fern", "ph", "glass", to_us(NOON - HOUR), 7.0)])
    store.write([Reading("moss", "ph", "glass", to_us(NOON - HOUR), 7.0)])
    tanks = [registry.tank(id) for id in ("fern", "moss", "reed")]

    def evaluated() -> None:
        views.begin()
        views.prepare(tanks, NOON)
        for tank in tanks:
            views.view(tank, NOON)

    evaluated()
    assert registry.all_first_sensors() == {}
    views.forget("moss")  # another scheduler's now
    evaluated()
    views.forget("moss")
    written: list[Mapping[str, Mapping[str, str]]] = []
    put = registry.put_first_sensors

    def noted(first: Mapping[str, Mapping[str, str]]) -> None:
        written.append(first)
        put(first)

    monkeypatch.setattr(registry, "put_first_sensors", noted)
    views.put_first_sensors()
    of_reed = dict.fromkeys(("illuminance", "ph", "temperature"), "s")
    assert registry.all_first_sensors() == {"fern": {"ph": "glass"}, "reed": of_reed}
    evaluated()
    views.put_first_sensors()
    evaluated()
    views.put_first_sensors()
    assert written[1:] == [{"moss": {"ph": "glass"}}, {}]
