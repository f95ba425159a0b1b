"""CO2 of each local day: at lights-on, until target, at night."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import numpy as np
import pytest

from service.derive.models.tank_view import TankView
from service.derive.tank_view import tank_view
from service.registry.models.plans import GasPlan
from service.store.model import Samples
from tests.derive.pieces import (
    NOON,
    a_tank,
    days_of,
    gassed,
    inputs_with,
)

DAY = timedelta(days=1)
EVENING = NOON.replace(hour=22)


def view_at(now: datetime, log: tuple = (), tank=None, **of_days: object) -> TankView:
    series = days_of(now, **of_days)  # type: ignore[arg-type]
    return tank_view(inputs_with(tank or a_tank(), now, series, log))


def test_a_day_by_hand() -> None:
    """Gas from 8 to 17, lamp from 10 to 18: 3 + 23 (1 - exp(-1.5 t)) and its fall by 0.5/h."""
    day = view_at(EVENING).co2_days[-1]
    assert day.at_on_mg_l == pytest.approx(3 + 23 * (1 - np.exp(-3)), abs=0.3)
    reached_h = np.log(23 / 6) / 1.5  # 20 mg/L after gas-on
    assert day.reached_min == pytest.approx(-(2 - reached_h) * 60, abs=5)
    assert day.peak_mg_l == pytest.approx(26.0, abs=0.1)
    assert abs(day.night_from - datetime(2026, 3, 10, 18, tzinfo=UTC)) < timedelta(minutes=1)
    yesterday = view_at(EVENING).co2_days[-2]
    assert yesterday.dusk_mg_l == pytest.approx(3 + 23 * np.exp(-0.5), abs=0.5)
    assert yesterday.night_low_mg_l == pytest.approx(3.0, abs=0.1)


def test_an_unknown_morning_tells_nothing_of_when_target_was_reached() -> None:
    series = days_of(EVENING)
    hour = series["ph"].time_us / 3.6e9 % 24
    kept = (hour < 6) | (hour > 12)
    ph = Samples(
        *(part[kept] for part in (series["ph"].time_us, series["ph"].value, series["ph"].flags))
    )
    view = tank_view(inputs_with(a_tank(), EVENING, {**series, "ph": ph}))
    assert view.co2_days[-1].reached_min is None
    assert view.co2_lit is not None and view.co2_lit.early_below_min == 0


def test_a_night_ends_with_the_gas_where_that_is_later_than_the_lamp() -> None:
    tank = a_tank(gas=GasPlan(start=NOON.replace(hour=8).time(), end=NOON.replace(hour=20).time()))
    day = view_at(EVENING, tank=tank, co2=lambda t: gassed(t, off=20.0)).co2_days[-1]
    assert day.night_from == datetime(2026, 3, 10, 20, tzinfo=UTC)
