"""A light sensor stuck at its upper end, told from coarse and saturating ones and real light."""

from __future__ import annotations

from collections.abc import Callable
from datetime import timedelta

import numpy as np
import pytest

from service.derive.light.stuck import stuck_runs, without
from service.derive.models.quality import Quality
from service.derive.tank_view import tank_view
from service.registry.models.plans import GasPlan, LightPlan
from service.times import from_us
from tests.derive.pieces import NOON, a_tank, days_of, grid, inputs_with, lamp, samples

TOP_LX = 54_612.5
"""The upper end of a common sensor: 65535 counts of 1/1.2 lx (its data sheet, from memory)."""

EVENING = NOON + timedelta(hours=7)  # an hour after the planned lights-off
Series = Callable[[np.ndarray], np.ndarray]


def noisy(time_us: np.ndarray) -> np.ndarray:
    """The usual lamp, 1 % noise."""
    noise = np.random.default_rng(3).standard_normal(time_us.shape)
    return lamp(time_us) * (1 + 0.01 * noise)


def stuck_since(hours: float) -> Series:
    """Noisy light that jumps to the upper end so long before the evening."""
    begin = int((EVENING - timedelta(hours=hours)).timestamp() * 1e6)
    return lambda time_us: np.where(time_us >= begin, TOP_LX, noisy(time_us))


def at_evening(light: Series, /, **plan: object):  # type: ignore[no-untyped-def]
    time_us = grid(EVENING - timedelta(days=8), EVENING)
    tank = a_tank(**plan)
    return tank, samples(time_us, light(time_us))


def test_it_is_stuck_since_it_jumped_to_its_upper_end() -> None:
    tank, one = at_evening(stuck_since(4))
    (run,) = stuck_runs(tank, one, EVENING)
    assert run.since == EVENING - timedelta(hours=4)
    assert run.value == TOP_LX
    assert run.after == len(one)
    assert without(one, (run,)).value.max() < TOP_LX
    assert from_us(int(without(one, (run,)).time_us[-1])) < run.since


@pytest.mark.parametrize("minutes", [5, 10, 15])
def test_nothing_is_said_before_it_is_dark_by_the_plan_for_a_while(minutes: float) -> None:
    now = EVENING - timedelta(hours=1) + timedelta(minutes=minutes)
    tank, one = at_evening(stuck_since(4))
    before = one.time_us <= now.timestamp() * 1e6
    assert stuck_runs(tank, samples(one.time_us[before], one.value[before]), now) == ()


@pytest.mark.parametrize(
    "light",
    [
        pytest.param(noisy, id="noise"),
        pytest.param(lamp, id="coarse: each lit hour shows the same number"),
        pytest.param(lambda t: lamp(t, off=22), id="coarse, timer set too long"),
        pytest.param(lambda t: np.minimum(noisy(t) * 10, TOP_LX), id="saturates by day"),
        pytest.param(
            lambda t: np.where(t > t[-1] - 4 * 3.6e9, 12_000.0, lamp(t)), id="coarse, lamp left on"
        ),
        pytest.param(lambda t: lamp(t, on=2, off=9), id="coarse, timer hours off"),
        pytest.param(
            lambda t: np.where(t > t[-1] - 4 * 3.6e9, 9_000.0, 5.0), id="coarse, its first lamp"
        ),
        pytest.param(lambda t: np.zeros(t.shape), id="dark"),
    ],
)
def test_sound_sensors_are_not_stuck(light: Series) -> None:
    tank, one = at_evening(light)
    assert stuck_runs(tank, one, EVENING) == ()


def test_a_new_sensor_that_never_showed_anything_else_is_stuck() -> None:
    tank, one = at_evening(lambda t: np.full(t.shape, TOP_LX))
    assert len(stuck_runs(tank, one, EVENING)) == 1


def test_without_a_plan_nothing_is_known() -> None:
    for hours in (0.0, 24.0):
        plan = LightPlan(a_tank().light.start, hours)
        tank, one = at_evening(stuck_since(4), light=plan, gas=GasPlan())
        assert stuck_runs(tank, one, EVENING) == ()
    tank, one = at_evening(stuck_since(4))
    assert stuck_runs(tank, samples(one.time_us[:0], 1.0), EVENING) == ()


def test_its_readings_count_for_nothing_and_the_sensor_is_named() -> None:
    series = days_of(EVENING) | {"illuminance": at_evening(stuck_since(4))[1]}
    view = tank_view(inputs_with(a_tank(), EVENING, series))
    assert view.light is not None and view.light.stuck is not None
    assert view.light.stuck.key.sensor == "illuminance-1"
    assert (view.light.lit, view.light.reading) == (None, None)
    assert view.light.quality is Quality.STALE
    assert all(one.photoperiod_h <= 8.1 for one in view.light_days)
