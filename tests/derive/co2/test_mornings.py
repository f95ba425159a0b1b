"""Drift of the pH probe from a tank's own mornings: simulated tanks whose electrode drifts."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, time, timedelta
from functools import cache
from pathlib import Path

import numpy as np
import pytest

from service.advice.handover.absence import sheet_of
from service.advice.handover.sheet_lines import water_line
from service.derive.caching.drift_cache import MorningDrifts
from service.derive.caching.view_cache import ViewCache
from service.derive.co2.current import co2_now
from service.derive.co2.mornings import drift_doubt, morning_drift, nights_of
from service.derive.inputs import Inputs
from service.derive.loader import load
from service.derive.models.quality import Quality
from service.derive.tank_view import tank_view
from service.integrations.email.contents import day_of
from service.registry.models.absence import Absence
from service.registry.models.log import LogKind
from service.registry.models.plans import GasPlan, LightPlan
from service.registry.models.tank import Tank
from service.registry.registry import open_registry
from service.science.sensors.electrode_drift import ElectrodeDrift
from service.science.water.hardness import MEQ_L_PER_DEGREE
from service.store import open_store
from service.store.model import Reading, Samples
from tests.derive.pieces import NOON, a_tank, entry, inputs_with
from tests.science.many_tanks import START_S, Electrodes, Tanks, simulate

K20, DAYS = 0.5, 21
BEGIN = datetime.fromtimestamp(START_S, UTC)
NOW = BEGIN + timedelta(days=DAYS)


def a_simulated_tank() -> Tank:
    """Timers as ``tests.science.many_tanks`` has them; its clock begins at BEGIN, not midnight."""
    shift = timedelta(hours=BEGIN.hour, minutes=BEGIN.minute)

    def at(hour: float) -> time:
        return (datetime(2026, 1, 1, tzinfo=UTC) + timedelta(hours=hour) + shift).time()

    plans = {"light": LightPlan(at(8), 9.0), "gas": GasPlan(at(6), at(16))}
    return replace(a_tank(), **plans, kh_meq_l=4.0 * MEQ_L_PER_DEGREE)


@cache
def drifting(drift_ph: float) -> Inputs:
    """Three weeks of a tank whose electrode was calibrated at their beginning."""
    tanks = Tanks(1, days=DAYS, k20_per_h=K20, injection_mg_l_h=K20 * 25.0)
    course = simulate(tanks, Electrodes(drift_ph_day=drift_ph / DAYS), np.random.default_rng(3))
    time_us = (course.time_s * 1e6).astype(np.int64)
    known = ~np.isnan(course.ph[0])
    series = {
        "ph": Samples(time_us[known], course.ph[0][known], np.zeros(known.sum(), np.int32)),
        "temperature": Samples(time_us, course.temperature_c[0], np.zeros(len(time_us), np.int32)),
    }
    log = [entry(LogKind.CALIBRATION, BEGIN, quantity="ph")]
    return inputs_with(a_simulated_tank(), NOW, series, log, days=DAYS)


def test_a_probe_that_is_calibrated_at_this_moment_has_no_drift_yet() -> None:
    inputs = drifting(0.2)
    log = (entry(LogKind.CALIBRATION, NOW, quantity="ph"), *inputs.log)
    assert morning_drift(replace(inputs, log=log), K20) is None


@pytest.mark.parametrize("drift_ph", [0.2, -0.2])
def test_mornings_show_a_probe_that_drifts(drift_ph: float) -> None:
    inputs = drifting(drift_ph)
    found = morning_drift(inputs, K20)
    assert found is not None
    assert found.certain
    assert found.low <= drift_ph <= found.high
    now, alone = co2_now(inputs, drift=found), co2_now(inputs)
    assert (alone.quality, now.quality) == (Quality.GOOD, Quality.SUSPECT)
    assert "by the tank's own mornings" in now.reasons[0]
    assert now.co2 is not None and alone.co2 is not None
    assert now.co2.value == alone.co2.value
    assert now.co2.low < alone.co2.low and now.co2.high > alone.co2.high


def test_steady_probe_raises_no_doubt() -> None:
    inputs = drifting(0.0)
    found = morning_drift(inputs, K20)
    assert found is not None
    assert drift_doubt(inputs.tank, found) is None
    assert co2_now(inputs, drift=found) == co2_now(inputs)


def test_small_or_uncertain_drift_is_no_doubt() -> None:
    assert drift_doubt(a_tank(), ElectrodeDrift(0.08, 0.05, 0.11, 0.004, 15, 20)) is None
    assert drift_doubt(a_tank(), ElectrodeDrift(0.15, -0.02, 0.32, 0.008, 15, 20)) is None
    strict = a_tank(thresholds={"ph_drift_doubt": 0.05})
    assert drift_doubt(strict, ElectrodeDrift(0.08, 0.05, 0.11, 0.004, 15, 20)) is not None


def test_nights_are_dark_and_without_gas_by_plan() -> None:
    # lit from 10 to 18, gas from 8 to 17
    found = nights_of(a_tank(), NOON - timedelta(days=2), NOON)
    hours = [tuple(datetime.fromtimestamp(s, UTC).strftime("%d %H:%M") for s in n) for n in found]
    assert hours == [("08 18:15", "09 08:00"), ("09 18:15", "10 08:00")]
    late = a_tank(light=LightPlan(time(16), 8.0), gas=GasPlan(time(14), time(1)))
    found = nights_of(late, NOON - timedelta(days=2), NOON + timedelta(hours=3))
    hours = [tuple(datetime.fromtimestamp(s, UTC).strftime("%d %H:%M") for s in n) for n in found]
    assert hours == [("09 01:15", "09 14:00"), ("10 01:15", "10 14:00")]
    assert nights_of(a_tank(light=LightPlan(time(10), 8.0), gas=GasPlan()), NOON, NOON) == []


def test_drift_is_found_with_the_fit_and_known_until_the_probe_is_calibrated(
    tmp_path: Path,
) -> None:
    inputs, drifts = drifting(0.2), MorningDrifts()
    store = open_store(f"sqlite:///{tmp_path / 'readings.db'}")
    registry = open_registry(f"sqlite:///{tmp_path / 'registry.db'}")
    registry.put_tank(inputs.tank)
    registry.add_log(inputs.tank.id, LogKind.CALIBRATION, BEGIN, {"quantity": "ph"})
    for quantity, one in inputs.samples.items():
        pairs = zip(one.time_us.tolist(), one.value.tolist(), strict=True)
        store.write([Reading("reed", quantity, "s", at, value) for at, value in pairs])
    views = ViewCache(registry, store, drifts)
    views.begin()
    view = views.view(inputs.tank, NOW)
    assert view.ph_drift is not None
    assert view.ph_drift.low <= 0.2 <= view.ph_drift.high
    assert view.co2.quality is Quality.SUSPECT
    newest = load(inputs.tank, registry, store, NOW, days=0)
    assert drifts.known(newest) == view.ph_drift
    away = Absence("away", NOW, NOW + timedelta(days=7))
    (page,) = sheet_of(away, [inputs.tank], registry, store, NOW, drifts).tanks
    assert page.state[0] == water_line(view), "the handover sheet doubts the probe as the tank does"
    day = day_of(inputs.tank, registry, store, NOW, drifts)
    assert day.sheet.state[0] == water_line(view), "so does the mail of the day"
    undoubted = tank_view(newest, gas=view.gas)
    assert page.state[0] != water_line(undoubted)
    registry.add_log(inputs.tank.id, LogKind.CALIBRATION, NOW, {"quantity": "ph"})
    assert drifts.known(load(inputs.tank, registry, store, NOW, days=0)) is None
    registry.close()
    store.close()
