"""Gas exchange fitted to days of the simulator, which has its own equations."""

from __future__ import annotations

from dataclasses import replace
from datetime import time

import pytest

from service.derive.co2.target import target_of
from service.derive.gas_exchange import gas_hours_per_day, gas_model_of
from service.registry.models import PhotoperiodPlan, WaterChangePlan
from tests.derive.simulated import MODEL, NOW, TANK, seen, truth


def test_fit_finds_the_simulators_exchange_and_injection() -> None:
    gas = seen()[0].gas
    assert gas is not None and gas.fit is not None and gas.fit.injection_mg_l_h is not None
    assert float(gas.fit.k20_per_h.value) == pytest.approx(0.6, rel=0.1)
    assert float(gas.fit.injection_mg_l_h.value) == pytest.approx(16.0, rel=0.1)
    assert gas.gas_g_per_day is not None
    # 16 mg/L/h for 9.5 h in 150 L
    assert gas.gas_g_per_day.value == pytest.approx(16 * 9.5 * 0.15, rel=0.1)
    assert gas.gas_g_per_day.low < 16 * 9.5 * 0.15 < gas.gas_g_per_day.high


def test_lead_is_the_simulators_time_to_target() -> None:
    gas = seen()[0].gas
    assert gas is not None and gas.lead_h is not None
    dark = replace(MODEL, lamp=replace(MODEL.lamp, on=time(14), hours=4.0))
    day = truth(dark)
    after = (day.time_s % 86_400 / 3600 >= 8) & (day.co2_mg_l >= 18.0)
    hours = day.time_s[after][0] % 86_400 / 3600 - 8
    assert gas.lead_h.value == pytest.approx(hours, abs=0.3)
    assert gas.lead_h.low < hours < gas.lead_h.high


def test_no_gas_no_fit() -> None:
    view, temperature = seen()
    bare = replace(TANK, co2_injected=False)
    model = gas_model_of(
        bare, NOW, view.co2_series, temperature, view.light_days, target_of(bare, None), 150.0
    )
    assert model.fit is None and model.reason == "no gas is injected"


def test_gas_hours_by_plan() -> None:
    assert gas_hours_per_day(TANK) == 9.5
    over = replace(TANK, photoperiod=PhotoperiodPlan(time(20), 8.0, time(18), time(3)))
    assert gas_hours_per_day(over) == 9.0
    unswitched = replace(TANK, photoperiod=PhotoperiodPlan(), water_change=WaterChangePlan())
    assert gas_hours_per_day(unswitched) == 24.0
