"""Dilution and mixing, by hand and against the balance done change by change."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.science.water.change import (
    changes_for_target,
    concentration_after_changes,
    fraction_for_steady_state,
    fraction_for_target,
    hot_fraction,
    mixed_temperature_c,
    steady_state,
)


def test_half_changed_three_times_leaves_an_eighth():
    assert concentration_after_changes(40, 0, 0.5, 3) == pytest.approx(5)


def test_dilution_law_of_the_laboratory():
    # C1 V1 = C2 V2: 10 mL of a 100 mg/L standard made up to 100 mL is 10 mg/L.
    assert concentration_after_changes(100, 0, 0.9) == pytest.approx(10)


@given(st.floats(0, 200), st.floats(0, 200), st.floats(0, 1), st.integers(0, 12))
def test_closed_form_vs_change_by_change(c0, c_tap, fraction, n):
    litres, amount = 180.0, c0 * 180.0
    for _ in range(n):
        amount = amount * (1 - fraction) + c_tap * litres * fraction
    assert concentration_after_changes(c0, c_tap, fraction, n) == pytest.approx(
        amount / litres, abs=1e-9
    )


@given(st.floats(1, 200), st.floats(0, 200), st.floats(0.01, 0.95), st.integers(1, 5))
def test_fraction_roundtrip(c0, c_tap, fraction, n):
    target = concentration_after_changes(c0, c_tap, fraction, n)
    if abs(c0 - c_tap) > 1e-3:
        assert fraction_for_target(c0, c_tap, target, n) == pytest.approx(fraction, abs=1e-6)


def test_nothing_to_do():
    assert fraction_for_target(20, 20, 20) == 0
    assert fraction_for_target(20, 5, 20) == 0
    assert fraction_for_target(20, 5, 5) == 1


@pytest.mark.parametrize("target", [3, 21])
def test_target_out_of_reach(target):
    with pytest.raises(
        ValueError, match=rf"target is {target}; allowed: what lies between tank and new water"
    ):
        fraction_for_target(20, 5, target)


def test_nan_passes_through():
    assert np.isnan(fraction_for_target([np.nan, 20.0], 5, 10)).tolist() == [True, False]


def test_fraction_outside_0_to_1():
    with pytest.raises(ValueError, match=r"fraction is 1\.5; allowed: 0 to 1"):
        concentration_after_changes(1, 1, 1.5)


def test_hot_and_cold_by_hand():
    # one part of 60 °C to three of 12 °C: (60 + 36) / 4 = 24 °C
    assert hot_fraction(24, 12, 60) == pytest.approx(0.25)
    assert mixed_temperature_c(0.25, 60, 12) == pytest.approx(24)


def test_hot_and_cold_out_of_reach():
    with pytest.raises(ValueError, match="target_c is 65; allowed: from cold to hot water"):
        hot_fraction(65, 12, 60)


# --- regular changes ------------------------------------------------------------------------


@given(st.floats(0, 50), st.floats(0.05, 1), st.floats(-30, 30))
def test_steady_state_vs_many_weeks(c_tap, fraction, rise):
    level = c_tap
    for _ in range(3000):
        before = max(level + rise, 0.0)
        level = before * (1 - fraction) + c_tap * fraction
    settled = steady_state(c_tap, fraction, rise)
    assert settled.before == pytest.approx(before, abs=1e-6)
    assert settled.after == pytest.approx(level, abs=1e-6)


def test_half_changed_weekly_doubles_the_weekly_rise():
    # Common practice states it as a rule: with 50 % a week nothing exceeds twice the weekly dose.
    settled = steady_state(0, 0.5, 10)
    assert (settled.before, settled.after) == (20, 10)


def test_fraction_that_keeps_below_a_ceiling():
    assert fraction_for_steady_state(5, 25, 10) == pytest.approx(0.5)
    assert np.isnan(fraction_for_steady_state(5, 10, 10))
    with pytest.raises(ValueError, match="ceiling is 5; allowed: above that of the new water"):
        fraction_for_steady_state(5, 5, 1)


def test_number_of_changes():
    # 40 -> 20 -> 10 -> 5 mg/L: exactly three, and one more for anything below.
    assert changes_for_target(40, 0, 5, 0.5) == 3
    assert changes_for_target(40, 0, 4.9, 0.5) == 4
    assert changes_for_target(40, 0, 40, 0.5) == 0
    assert changes_for_target(5, 20, 15, 0.5) == 2
    with pytest.raises(
        ValueError, match="target is 5; allowed: what lies between tank and new water"
    ):
        changes_for_target(40, 5, 5, 0.5)
