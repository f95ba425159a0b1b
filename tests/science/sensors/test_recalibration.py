"""Drift of a pH electrode by the age of its calibration and by what its recalibrations found."""

from __future__ import annotations

import numpy as np
import pytest

from service.science.numeric.checks import OutOfRangeError
from service.science.sensors.ph_electrode import DRIFT_PH_PER_30_DAYS
from service.science.sensors.recalibration import drift_from_gaps
from tests.bench.calibration_age import AGES, calibration_coverage, co2_coverage
from tests.science.sensors.river_recalibrations import EARLY, LATE, held


def test_intervals_hold_the_truth_of_a_river_as_often_as_they_say():
    # Jones et al. 2022 (tests/science/sensors/river_recalibrations.py); the rate was chosen
    # with both halves seen
    assert 0.93 <= held(EARLY) <= 0.97
    assert 0.93 <= held(LATE) <= 0.97


@pytest.mark.parametrize("age", AGES)
def test_intervals_hold_the_truth_at_every_age(age):
    """That of CO2 in 92 to 98 %, and 93 to 97 % is within what 45 recalibrations can tell."""
    rng = np.random.default_rng(2)
    co2 = co2_coverage(*age, 4000, rng)
    assert 0.92 <= co2.share <= 0.98
    low, high = co2.interval(rng)
    assert low <= 0.97 and high >= 0.93
    assert calibration_coverage(*age).interval(rng)[1] >= 0.93


def test_co2_of_electrodes_that_drift_as_those_is_within_its_interval():
    assert 0.93 <= co2_coverage(0, 100, 8000, np.random.default_rng(2)).share <= 0.97


def test_without_recalibrations_the_general_rate_counts():
    assert drift_from_gaps([], []) == DRIFT_PH_PER_30_DAYS


@pytest.mark.parametrize("rate", [0.03, 0.09, 0.2])
def test_rate_of_an_electrode_is_learnt_from_many_recalibrations(rate):
    # a random walk has the variance rate² t, and the errors of both calibrations on top
    rng = np.random.default_rng(5)
    days = rng.uniform(14, 45, 400)
    gaps = rng.normal(0, np.sqrt(2 * 0.025**2 + rate**2 * days / 30))
    assert drift_from_gaps(days, gaps) == pytest.approx(rate, rel=0.2)


def test_one_gap_moves_the_rate_by_its_weight_and_a_mistake_by_no_more():
    steady = drift_from_gaps([30.0], [0.0])
    # six parts of the general rate and one of none
    assert steady == pytest.approx(DRIFT_PH_PER_30_DAYS * np.sqrt(6 / 7))
    assert steady < DRIFT_PH_PER_30_DAYS < drift_from_gaps([30.0], [0.3])
    assert drift_from_gaps([30.0], [5.0]) == drift_from_gaps([30.0], [1.0])


def test_days_that_are_none_are_refused():
    with pytest.raises(OutOfRangeError, match="days is 0"):
        drift_from_gaps([0.0], [0.1])
