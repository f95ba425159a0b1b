"""The rise of CO2 since it was switched on, against its closed form."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import numpy as np
import pytest

from service.derive.co2.gas_start import gas_start_of
from service.derive.models.co2 import Co2Series
from tests.derive.pieces import NOON, a_tank, gassed, grid

ON = NOON.replace(hour=8)
HOUR = timedelta(hours=1)


def series_until(now, value=gassed):
    time_us = grid(NOON - timedelta(days=6), now)
    co2 = value(time_us)
    return Co2Series(time_us, co2, co2, co2)


def today_flat(time_us):
    """As usual on the days before; today nothing comes on."""
    today = time_us >= grid(ON, ON)[0]
    return np.where(today, gassed(time_us, rise_per_h=0.0), gassed(time_us))


def test_the_rise_of_today_is_the_usual_one() -> None:
    start = gas_start_of(a_tank(), series_until(ON + 2 * HOUR), ON + 2 * HOUR)
    assert start is not None and start.on_at == ON and start.days == 5
    # 3 + 23 (1 - exp(-1.5 t)): over the last ten minutes of two hours it is nearly all
    assert start.rise_mg_l == pytest.approx(23 * (1 - np.exp(-1.5 * 2)) - 0.3, abs=0.6)
    assert start.now_mg_l == pytest.approx(3 + 23 * (1 - np.exp(-1.5 * 2)), abs=0.3)
    assert start.usual_mg_l == pytest.approx(start.rise_mg_l, abs=1e-9)


def test_a_morning_without_co2_shows_beside_the_days_before() -> None:
    start = gas_start_of(a_tank(), series_until(ON + HOUR, today_flat), ON + HOUR)
    assert start is not None
    assert start.rise_mg_l == pytest.approx(0.0, abs=0.3)
    assert start.usual_mg_l > 15


@pytest.mark.parametrize("after", [timedelta(minutes=5), timedelta(hours=-1), timedelta(hours=5)])
def test_only_in_the_hours_after_switching_on(after: timedelta) -> None:
    assert gas_start_of(a_tank(), series_until(ON + after), ON + after) is None


def test_without_a_plan_or_readings_nothing_is_known() -> None:
    now = ON + HOUR
    unswitched = a_tank(gas=replace(a_tank().gas, start=None))
    assert gas_start_of(unswitched, series_until(now), now) is None
    assert gas_start_of(a_tank(co2_injected=False), series_until(now), now) is None
    empty = Co2Series(np.zeros(0, np.int64), *(np.zeros(0) for _ in range(3)))
    assert gas_start_of(a_tank(), empty, now) is None
    stopped = series_until(now - timedelta(minutes=30))  # no reading of now
    assert gas_start_of(a_tank(), stopped, now) is None
    one_day = series_until(now)
    since = int(np.searchsorted(one_day.time_us, grid(ON - timedelta(hours=30), ON)[0]))
    short = Co2Series(*(each[since:] for each in (
        one_day.time_us, one_day.value, one_day.low, one_day.high
    )))  # fmt: skip
    assert gas_start_of(a_tank(), short, now) is None
