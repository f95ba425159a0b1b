"""Gas exchange fitted to days of the simulator, which has its own equations."""

from __future__ import annotations

from dataclasses import replace
from datetime import time, timedelta

import numpy as np
import pytest

from demo.measuring import measured
from demo.model import Change, Gas, WaterChange
from service.derive.co2.target import target_of
from service.derive.gas_exchange import gas_exchange, gas_hours_per_day, gas_model_of
from service.derive.models.gas_exchange import GasModel
from service.registry.models.log import LogEntry, LogKind
from service.registry.models.plans import GasPlan, LightPlan, WaterChangePlan
from service.registry.models.tank import KhKit
from service.science.carbonate.kh_methods import KhMethod
from tests.derive.pieces import KH_4, entry, inputs_with, samples
from tests.derive.simulated import MODEL, NOW, START, TANK, course, seen, seen_inputs, truth


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
        bare, NOW, view.co2_series, temperature, None, target_of(bare, None), 150.0
    )
    assert model.fit is None and model.reason == "no CO2 is injected"


def test_gas_hours_by_plan() -> None:
    assert gas_hours_per_day(TANK) == 9.5
    over = replace(TANK, light=LightPlan(time(20), 8.0), gas=GasPlan(time(18), time(3)))
    assert gas_hours_per_day(over) == 9.0
    unswitched = replace(TANK, light=LightPlan(), gas=GasPlan(), water_change=WaterChangePlan())
    assert gas_hours_per_day(unswitched) == 24.0


def changed_view(log: tuple[LogEntry, ...], *events: Change | WaterChange) -> GasModel:
    """Gas exchange of ten simulated days in which something happened."""
    trace = course(replace(MODEL, events=events), START - timedelta(days=2), NOW)
    series = {}
    for sensor in MODEL.sensors:
        time_s, value = measured("reed", sensor, trace, seed=3)
        series[sensor.quantity] = samples(np.rint(time_s * 1e6).astype(np.int64), value)
    return gas_exchange(inputs_with(TANK, NOW, series, log, days=10))


VALVE_AT = START + timedelta(days=6, hours=22)
VALVE = Change(VALVE_AT.timestamp(), "gas", Gas(time(8), time(17, 30), 24.0))


def test_a_valve_opened_by_half_counts_from_then_on() -> None:
    """16, then 24 mg/L/h: the level it leads to is that of 24."""
    gas = changed_view((), VALVE)
    assert gas.fit is not None and gas.fit.injection_mg_l_h is not None
    assert gas.fit.injection_mg_l_h.low < 24.0 < gas.fit.injection_mg_l_h.high
    assert float(gas.fit.injection_mg_l_h.value) == pytest.approx(24.0, rel=0.1)
    (note,) = gas.notes
    assert note.startswith("the CO2 flow changed from 1") and "seen since 2026-03-09" in note


def test_a_flow_adjusted_since_the_newest_rise_is_waited_for() -> None:
    log = (entry(LogKind.ADJUSTMENT, NOW - timedelta(hours=1), lever="gas-flow"),)
    gas = changed_view(log)
    assert gas.fit is not None and gas.fit.injection_mg_l_h is None
    assert gas.lead_h is None
    assert "adjusted since the newest rise" in gas.reason
    other = (entry(LogKind.ADJUSTMENT, NOW - timedelta(hours=1), lever="light-hours"),)
    assert changed_view(other).lead_h is not None


def test_a_water_change_in_the_log_is_left_out() -> None:
    """Half the water at noon, of 1 mg/L CO2: the day goes on at a lower level."""
    at = START + timedelta(days=8, hours=12)
    change = WaterChange(at.timestamp(), 0.5, co2_mg_l=1.0)
    log = (
        entry(LogKind.WATER_CHANGE, at, fraction=0.5, kh_meq_l=KH_4),
        entry(LogKind.CALIBRATION, NOW - timedelta(days=3), quantity="ph"),
    )
    gas = changed_view(log, change)
    assert gas.fit is not None and gas.fit.injection_mg_l_h is not None
    assert gas.fit.injection_mg_l_h.low < 16.0 < gas.fit.injection_mg_l_h.high
    assert gas.notes == ()


def test_the_interval_of_the_injection_is_that_of_kh_and_probe() -> None:
    """A strip of 3 dKH a field leaves more open than a syringe of 0.1 dKH a mark."""
    ratios = []
    for method in (KhMethod.TITRATION, KhMethod.STRIP):
        tank = replace(TANK, kh_kit=KhKit(method=method))
        inputs = seen_inputs(tank)
        found = gas_exchange(inputs).fit
        assert found is not None and found.injection_mg_l_h is not None
        ratios.append(float(found.injection_mg_l_h.high / found.injection_mg_l_h.low))
    assert ratios[1] > 1.5 * ratios[0]
