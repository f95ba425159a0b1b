"""Lead time, level and gas use from a fit, against hand-worked numbers."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from service.science.gas_exchange.changes import FitError
from service.science.gas_exchange.fit import GasExchangeFit
from service.science.gas_exchange.plan import gas_plan, hours_to_level
from service.science.numeric.estimate import Estimate
from tests.science.closed_form import co2_after

FIT = GasExchangeFit(
    k20_per_h=Estimate(np.float64(0.2), np.float64(0.19), np.float64(0.21)),
    injection_mg_l_h=Estimate(np.float64(7.0), np.float64(5.8), np.float64(8.5)),
    night_excess_mg_l=1.0,
    equilibrium_mg_l=1.0,
    temperature_c=20.0,
    log_covariance=np.array(
        [[0.0007, 0.0007, 0.0002], [0.0007, 0.0007, 0.0002], [0.0002, 0.0002, 0.0005]]
    ),
    level_log_sd=0.1,
    scatter_ln=0.03,
    nights=7,
    rises=7,
    source="turns",
)
WISHES = {"target_mg_l": 30.0, "volume_l": 180.0, "gas_hours_per_day": 10.0}


def test_plan_vs_hand_worked() -> None:
    plan = gas_plan(FIT, **WISHES)
    # night 1 + 1 = 2; steady 2 + 7 / 0.2 = 37; lead ln((37 - 2) / (37 - 30)) / 0.2 = 8.047 h
    assert plan.night_mg_l == pytest.approx(2.0)
    assert plan.steady_mg_l.value == pytest.approx(37.0)
    assert plan.lead_h.value == pytest.approx(np.log(5) / 0.2)
    # 7 mg/L/h * 180 L * 10 h = 12.6 g
    assert plan.gas_g_per_day.value == pytest.approx(12.6)


def test_lead_reaches_the_target_by_the_closed_form() -> None:
    plan = gas_plan(FIT, **WISHES)
    there = co2_after(plan.night_mg_l, plan.lead_h.value, 0.2, 7.0, plan.night_mg_l)
    assert there == pytest.approx(30.0)


def test_more_surface_movement_needs_more_gas() -> None:
    still, moved = gas_plan(FIT, **WISHES), gas_plan(FIT, **WISHES, surface_factor=1.5)
    # steady 1 + 1 / 1.5 + 7 / 0.3 = 25: the target is out of reach
    assert moved.steady_mg_l.value == pytest.approx(25.0)
    assert moved.lead_h.value == np.inf
    assert moved.gas_g_per_day.value == still.gas_g_per_day.value
    # half as much gas again restores it, sooner than before
    both = gas_plan(FIT, **WISHES, surface_factor=1.5, injection_factor=1.5)
    assert both.lead_h.value < still.lead_h.value
    assert both.gas_g_per_day.value == pytest.approx(1.5 * 12.6)


def test_warmer_water_loses_more() -> None:
    assert gas_plan(FIT, **WISHES, temperature_c=28).steady_mg_l.value < 32.5


def test_intervals_hold_values_and_repeat() -> None:
    plan = gas_plan(FIT, **WISHES)
    for estimate in (plan.lead_h, plan.steady_mg_l, plan.gas_g_per_day):
        assert estimate.low < estimate.value < estimate.high
    assert gas_plan(FIT, **WISHES) == plan
    # level error 10 %, injection 2.2 %: 95 % of gas use is a factor exp(1.96 * 0.1025)
    spread = plan.gas_g_per_day.high / plan.gas_g_per_day.low
    assert spread == pytest.approx(np.exp(2 * 1.96 * np.hypot(0.1, 0.0224)), rel=0.05)


def test_interval_vs_normal_quantiles() -> None:
    """The logarithm of gas use is normal: its 2.5 and 97.5 % lie 1.95996 standard deviations off
    (any table). 4,000 draws find either to 3.4 % of one (binomial, delta method): 4 times that."""
    sd = np.hypot(0.1, np.sqrt(FIT.log_covariance[2, 2]))
    gas = gas_plan(FIT, **WISHES).gas_g_per_day
    for end, way in ((gas.low, -1.0), (gas.high, 1.0)):
        assert np.log(float(end) / 12.6) / sd == pytest.approx(way * 1.95996, abs=4 * 0.034)


STONE_AT_NIGHT = replace(
    FIT, k20_per_h=Estimate(*np.array([0.8, 0.78, 0.82])), day_k20_per_h=FIT.k20_per_h
)


def test_an_air_stone_at_night_does_not_keep_the_day_from_its_target() -> None:
    """Exchange 0.8 at night, 0.2 by day: respiration 0.8 mg/L/h; 1 + 7.8 / 0.2 = 40 by day."""
    plan = gas_plan(STONE_AT_NIGHT, **WISHES)
    assert plan.night_mg_l == pytest.approx(2.0)
    assert plan.steady_mg_l.value == pytest.approx(40.0)
    assert plan.lead_h.value == pytest.approx(np.log(38 / 10) / 0.2)
    assert plan.steady_mg_l.low < 40 < plan.steady_mg_l.high


def test_an_air_stone_until_lights_on_keeps_the_morning_from_its_target() -> None:
    """Up to lights-on 1 + 7.8 / 0.8 = 10.75 mg/L at most; by day 40."""
    plan = gas_plan(replace(STONE_AT_NIGHT, day_begins="lamp"), **WISHES)
    assert plan.lead_h.value == np.inf
    assert plan.steady_mg_l.value == pytest.approx(40.0)


def test_bubbles_lost_raise_gas_use() -> None:
    plan = gas_plan(FIT, **WISHES, dissolved_share=0.5)
    assert plan.gas_g_per_day.value == pytest.approx(25.2)


def test_hours_to_level_edges() -> None:
    k, steady = np.asarray(0.2), np.asarray(37.0)
    assert hours_to_level(31.0, 30.0, k, steady) == 0
    assert hours_to_level(2.0, 37.0, k, steady) == np.inf


def test_refusals() -> None:
    with pytest.raises(FitError, match="injection rate is not known"):
        gas_plan(replace(FIT, injection_mg_l_h=None), **WISHES)
    with pytest.raises(ValueError, match="gas_hours_per_day is 25; allowed: 0 to 24 h"):
        gas_plan(FIT, target_mg_l=30, volume_l=180, gas_hours_per_day=25)
