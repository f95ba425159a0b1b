"""Thresholds of practice: sources, bounds, overrides by the tank."""

from __future__ import annotations

import pytest

from service.advice.engine.practice import THRESHOLDS, check_thresholds
from service.derive.thresholds import DERIVED, MOST_BY_UNIT
from service.errors import InvalidInputError
from service.science.nutrients.limits import MAX_KH_STEP_DKH
from service.science.sensors.ph_electrode import (
    CALIBRATION_DUE_DAYS,
    CALIBRATION_VALID_DAYS,
    DRIFT_PH_PER_30_DAYS,
    FRESH_SD_PH,
)
from service.science.water.mix import MAX_TEMPERATURE_STEP_C
from tests.advice.cases import found, view_with
from tests.derive.pieces import NOON, a_tank, lamp


def test_each_number_of_practice_is_stated_once() -> None:
    """Science and practice name the same number; it was 2 K here and 1 K there once."""
    assert DERIVED["ph_calibration_sd"].default == FRESH_SD_PH
    assert DERIVED["ph_drift_per_month"].default == DRIFT_PH_PER_30_DAYS
    assert DERIVED["ph_calibration_due_days"].default == CALIBRATION_DUE_DAYS
    assert DERIVED["ph_calibration_valid_days"].default == CALIBRATION_VALID_DAYS
    assert THRESHOLDS["temperature_step_max_c"].default == MAX_TEMPERATURE_STEP_C
    assert MAX_KH_STEP_DKH == 1.0


def test_every_threshold_has_a_source_and_can_be_set() -> None:
    for name, one in THRESHOLDS.items():
        assert one.name == name and one.text and one.unit and one.source
        assert one.low <= one.default <= one.high, name
        check_thresholds({name: one.default})


def test_wrong_thresholds_are_refused_by_name() -> None:
    with pytest.raises(InvalidInputError, match="co2_lo_lit_min is not known") as error:
        check_thresholds({"co2_lo_lit_min": 1.0, "stale_ph_min": 0.0})
    assert [fault.pointer for fault in error.value.faults] == [
        "/thresholds/co2_lo_lit_min",
        "/thresholds/stale_ph_min",
    ]
    assert "allowed: 1 to 1440 min" in error.value.detail


def test_without_a_limit_of_its_own_a_threshold_has_that_of_its_unit() -> None:
    """Two years of weeks, ten years of days, a week of minutes, a month of hours: our choice."""
    most = {"wk": 2 * 52, "d": 10 * 365, "min": 7 * 24 * 60, "h": 30 * 24}
    assert {unit: MOST_BY_UNIT[unit] for unit in most} == most


def test_a_threshold_of_the_tank_moves_its_rule() -> None:
    strict = a_tank(thresholds={"photoperiod_tolerance_min": 10.0})
    burns = lambda t: lamp(t, off=18.4)  # noqa: E731
    assert found(view_with(now=NOON, lux=burns), "light-long") == []
    assert found(view_with(strict, NOON, lux=burns), "light-long") != []
