"""Drift of a pH electrode from simulated mornings whose drift is known.

The simulation integrates in steps of its own (``tests/science/many_tanks.py``); coverage of the
intervals over many more tanks is printed by ``python -m tests.bench.drift_coverage``.
"""

from __future__ import annotations

import numpy as np
import pytest

from service.science.sensors.electrode_drift import (
    ElectrodeDrift,
    Morning,
    electrode_drift,
    morning_floors,
)
from tests.science.drifting import DAY_S, drifts
from tests.science.many_tanks import START_S


@pytest.mark.parametrize("drift_ph", [0.12, 0.0])
def test_a_drift_in_21_days_is_found_with_its_interval(drift_ph: float) -> None:
    """KH moves unseen, rooms are aired, k is off by 4 %, the electrode has offset and slope."""
    found = drifts(drift_ph, count=30, seed=5)
    assert len(found) == 30
    assert np.mean([one.ph for one in found]) == pytest.approx(drift_ph, abs=0.02)
    held = sum(one.low <= drift_ph <= one.high for one in found)
    assert held >= 26  # 95 % of 30: fewer is 1 in 60
    assert np.median([one.high - one.low for one in found]) < 0.24
    if drift_ph:
        assert sum(one.certain for one in found) >= 15


def test_an_offset_that_stands_still_is_no_drift() -> None:
    """KH wrong by a third, and the electrode by 0.1, both from the first day."""
    floors = [
        Morning(START_S + day * DAY_S, float(np.log(1.33) - 0.1 * np.log(10)), 0.05)
        for day in range(1, 15)
    ]
    found = electrode_drift(floors, calibrated_s=START_S, now_s=START_S + 15 * DAY_S)
    assert found is not None
    assert found.ph == pytest.approx(0.0, abs=1e-6)
    assert not found.certain


def _line(days: int, per_day: float) -> ElectrodeDrift | None:
    floors = [
        Morning(START_S + day * DAY_S, -per_day * day * float(np.log(10)), 0.05)
        for day in range(1, days + 1)
    ]
    return electrode_drift(floors, calibrated_s=START_S, now_s=START_S + (days + 1) * DAY_S)


def test_the_sign_is_that_of_the_reading() -> None:
    """A floor that seems to lose CO2 is an electrode that reads higher and higher."""
    found = _line(20, 0.01)
    assert found is not None
    assert found.ph_per_day == pytest.approx(0.01)
    assert found.ph == pytest.approx(0.21)
    assert found.certain
    assert (found.mornings, found.days) == (20, 21)


def test_few_mornings_tell_nothing() -> None:
    assert _line(5, 0.01) is None
    assert _line(6, 0.01) is not None
    with pytest.raises(ValueError, match=r"now_s is .*; allowed: after calibrated_s"):
        electrode_drift([], calibrated_s=START_S, now_s=START_S)


def test_a_night_too_short_for_its_floor_is_left_out() -> None:
    """k = 0.1/h: after eight hours less than 75 % of the gas has gone."""
    hours = np.arange(0, 8, 1 / 12)
    time_s = START_S + hours * 3600
    night = [(START_S, START_S + 8 * 3600)]
    slow = morning_floors(time_s, 1 + 20 * np.exp(-0.1 * hours), 20.0, nights=night, k20_per_h=0.1)
    assert slow == []
    (quick,) = morning_floors(
        time_s, 1 + 20 * np.exp(-0.5 * hours), 20.0, nights=night, k20_per_h=0.5
    )
    # Weiss 1974: 0.708 mg/L at 20 °C and 420 ppm
    assert quick.log_floor == pytest.approx(np.log(1 / 0.708), abs=0.005)
    with pytest.raises(ValueError, match="the shape of time_s"):
        morning_floors(time_s, [1.0], 20.0, nights=night, k20_per_h=0.5)
