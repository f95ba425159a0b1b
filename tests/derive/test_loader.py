"""From a real registry and a real store to derived values."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date, timedelta
from pathlib import Path

import numpy as np
import pytest

from service.derive.co2.current import co2_now
from service.derive.co2.series import co2_series, inner_step_us, mean_over
from service.derive.light.days import light_day
from service.derive.loader import (
    CO2_QUANTITIES,
    load,
    load_day,
    load_range_exits,
    load_span,
    load_temperature,
)
from service.derive.log_in_force import log_in_force
from service.derive.models.co2 import Co2Now, Co2Series, Co2State
from service.derive.models.light import LightDay
from service.derive.models.quality import Quality
from service.derive.tank_view import tank_view
from service.derive.temperature import excursions_of, temperature_now
from service.registry.models.log import LogKind
from service.registry.models.tank import Tank
from service.registry.registry import Registry
from service.store.interface import Store
from service.store.model import Flag, Reading
from service.store.sqlite.store import SqliteStore
from service.times import to_us
from tests.derive.pieces import KH_4, NOON, a_tank, days_of, gassed, grid
from tests.registries import sqlite_registry

DAY = timedelta(days=1)
HOUR_US = 3_600_000_000


@dataclass
class House:
    registry: Registry
    store: Store
    tank: Tank


@pytest.fixture(scope="module")
def house(tmp_path_factory: pytest.TempPathFactory) -> Iterator[House]:
    """Three days of one tank, with a second pH probe that reads 0.3 too high."""
    folder = tmp_path_factory.mktemp("house")
    registry = sqlite_registry(folder / "registry.db")
    store = SqliteStore.from_url(f"sqlite:///{folder / 'readings.db'}")
    tank = a_tank()
    registry.put_tank(tank)
    for quantity, series in days_of(days=3).items():
        for sensor, shift in (("b-good", 0.0), ("a-off", 0.3 if quantity == "ph" else 0.0)):
            pairs = zip(series.time_us.tolist(), series.value.tolist(), strict=True)
            store.write(
                [Reading("reed", quantity, sensor, at, value + shift) for at, value in pairs]
            )
    yield House(registry, store, tank)
    store.close()
    registry.close()


def believing(house: House, **sensors: str) -> Tank:
    return a_tank(sensors=sensors)


def now_of(house: House, tank: Tank) -> Co2Now:
    return co2_now(load(tank, house.registry, house.store, NOON, days=0))


def day_of_co2(house: House, tank: Tank, every_us: int | None = None) -> Co2Series:
    """CO2 of the day before noon, as ``GET /co2/series`` has it."""
    inputs = load_span(
        tank,
        house.registry,
        house.store,
        NOON - DAY,
        NOON,
        quantities=CO2_QUANTITIES,
        step_us=None if every_us is None else inner_step_us(NOON - DAY, NOON, every_us),
    )
    fine = co2_series(inputs)
    return fine if every_us is None else mean_over(fine, every_us)


def light_of(house: House, day: date) -> LightDay | None:
    inputs = load_day(house.tank, house.registry, house.store, day, NOON)
    return light_day(inputs, day, NOON)


def test_view_of_a_healthy_tank(house: House) -> None:
    view = tank_view(load(believing(house, ph="b-good"), house.registry, house.store, NOON))
    assert view.co2.co2 is not None
    assert view.co2.co2.value == pytest.approx(float(gassed(grid(NOON, NOON))[0]), rel=1e-6)
    assert view.co2.state is Co2State.WITHIN
    assert view.net_volume_l == 180.0
    assert len(view.light_days) == 8
    assert view.light_days[-2].photoperiod_h == pytest.approx(8.0, abs=0.05)
    assert view.excursions == ()
    assert len(view.sensors) == 6
    assert view.co2_lit is not None
    assert view.co2_lit.lit_min == pytest.approx(480, abs=3)
    # Gas off at 17, light off at 18: 3 + 23 exp(-0.5 t) = 20 after 36 of those 60 min.
    assert view.co2_lit.below_min == pytest.approx(60 - 120 * np.log(23 / 17), abs=3)
    assert view.co2_high is not None and view.co2_high.minutes == 0


def test_named_sensor_is_believed_and_by_name_without_one(house: House) -> None:
    good = now_of(house, believing(house, ph="b-good"))
    other = now_of(house, believing(house))
    assert good.ph is not None and good.ph.sensor == "b-good"
    assert other.ph is not None and other.ph.sensor == "a-off"
    assert good.co2 is not None and other.co2 is not None
    assert other.co2.value == pytest.approx(good.co2.value / 10**0.3, rel=0.02)


def test_a_named_sensor_that_fell_silent_is_replaced_with_the_reason(house: House) -> None:
    found = now_of(house, believing(house, ph="gone"))
    assert found.ph is not None and found.ph.sensor == "a-off"
    assert any("because gone gives no usable reading" in reason for reason in found.reasons)


def test_silence_makes_everything_stale(house: House) -> None:
    view = tank_view(load(house.tank, house.registry, house.store, NOON + timedelta(hours=3)))
    assert view.co2.co2 is None
    assert view.co2.quality is Quality.STALE
    assert "3 h ago" in view.co2.reasons[0]
    assert view.temperature.quality is Quality.STALE
    assert view.light is not None and view.light.lit is None


def test_stuck_probe_gives_unknown_with_the_reason(house: House, tmp_path: Path) -> None:
    with_stuck = SqliteStore.from_url(f"sqlite:///{tmp_path / 'stuck.db'}")
    first, last = to_us(NOON) - 2 * HOUR_US, to_us(NOON)
    with_stuck.write(
        [
            Reading("reed", "ph", "one", first, 6.7),
            Reading("reed", "ph", "one", last, 6.7, Flag.STUCK),
        ]
    )
    found = co2_now(load(house.tank, house.registry, with_stuck, NOON, days=0))
    with_stuck.close()
    assert found.co2 is None
    assert found.state is Co2State.UNKNOWN
    assert found.reasons[0] == "pH sensor one reports, but its readings are stuck"


def test_co2_series_raw_and_by_the_hour(house: House) -> None:
    tank = believing(house, ph="b-good")
    raw = day_of_co2(house, tank)
    assert len(raw.time_us) == 288
    assert raw.value == pytest.approx(gassed(raw.time_us), rel=1e-6)
    hourly = day_of_co2(house, tank, HOUR_US)
    assert hourly.time_us.tolist() == list(range(to_us(NOON - DAY), to_us(NOON), HOUR_US))
    expected = raw.value.reshape(24, 12).mean(axis=1)
    assert hourly.value == pytest.approx(expected, rel=1e-3)


def test_light_day_of_yesterday(house: House) -> None:
    day = light_of(house, date(2026, 3, 9))
    assert day is not None
    assert day.complete
    assert day.photoperiod_h == pytest.approx(8.0, abs=0.05)
    assert light_of(house, date(2026, 3, 11)) is None


def test_excursions_from_every_reading(house: House, tmp_path: Path) -> None:
    store = SqliteStore.from_url(f"sqlite:///{tmp_path / 'heat.db'}")
    time_us = grid(NOON - timedelta(hours=12), NOON, 10)
    value = 30.0 - np.abs((time_us - time_us[0]) / 3.6e9 - 6.0)
    store.write(
        [
            Reading("reed", "temperature", "t", at, one)
            for at, one in zip(time_us.tolist(), value.tolist(), strict=True)
        ]
    )
    inputs = load_range_exits(
        house.tank, house.registry, store, NOON - DAY, NOON, lambda one: one.tolerable
    )
    (found,) = excursions_of(house.tank, inputs.series("temperature"), inputs.tolerance.tolerable)
    now = temperature_now(load_temperature(house.tank, house.registry, store, NOON))
    store.close()
    assert found.degree_hours == pytest.approx(4.0)
    assert now.rate_k_h == pytest.approx(-1.0)


def test_log_keeps_the_newest_old_kh_test(house: House) -> None:
    house.registry.add_log(
        "reed", LogKind.KH_TEST, NOON - 500 * DAY, {"kh_meq_l": 2 * KH_4}, "", "", NOON
    )
    old, new = (log_in_force(house.tank, house.registry, at, at) for at in (NOON - 501 * DAY, NOON))
    house.registry.delete_log(new[0].id)
    assert old == ()
    assert [entry.kind for entry in new] == [LogKind.KH_TEST]


def test_water_is_read_as_means_of_five_minutes_and_light_of_one(
    house: House, tmp_path: Path
) -> None:
    """Readings each half minute, 0, 1, 2 and on: means of ten and of two, at their middle."""
    store = SqliteStore.from_url(f"sqlite:///{tmp_path / 'fine.db'}")
    time_us = grid(NOON - timedelta(minutes=10), NOON - timedelta(seconds=30), 0.5)
    for quantity in ("temperature", "illuminance"):
        rows = enumerate(time_us.tolist())
        store.write([Reading("reed", quantity, "s", at, number) for number, at in rows])
    inputs = load(house.tank, house.registry, store, NOON)
    store.close()
    warm, bright = inputs.series("temperature"), inputs.series("illuminance")
    minute = 60_000_000
    assert warm.value.tolist() == [4.5, 14.5]
    assert warm.time_us.tolist() == [int(time_us[0] + at * minute) for at in (2.5, 7.5)]
    assert bright.value.tolist() == [2 * number + 0.5 for number in range(10)]
    assert bright.time_us.tolist() == [int(time_us[0] + (n + 0.5) * minute) for n in range(10)]
