"""The rule on too little CO2."""

from __future__ import annotations

from datetime import UTC, datetime

import numpy as np
import pytest

from service.advice.engine.recommendation import Severity
from tests.advice.cases import HOUR, amount, found, the, view_with
from tests.derive.pieces import NOON, a_tank, days_of, gassed

MORNING = datetime(2026, 3, 10, 7, 30, tzinfo=UTC)


def weak(t: np.ndarray) -> np.ndarray:
    return gassed(t, high=14.0)


def strong(t: np.ndarray) -> np.ndarray:
    return gassed(t, high=42.0)


def test_healthy_tank_says_nothing_of_co2() -> None:
    view = view_with()
    assert found(view, "co2-low") == []
    assert found(view, "co2-high") == []


def test_co2_low_is_seen_on_a_morning_visit_with_amounts() -> None:
    one = the(view_with(now=MORNING, co2=weak), "co2-low")
    assert one.severity is Severity.WARNING
    assert amount(one, "time below target while lit") == pytest.approx(480, abs=5)
    # By hand, from 10 to 17 on its way to 14 mg/L, then an hour of falling from there:
    rising = 7 * 6 + 11 / 1.5 * (np.exp(-3) - np.exp(-13.5))
    falling = 17 - 11 * (1 - np.exp(-0.5)) / 0.5
    assert amount(one, "CO2 missing") == pytest.approx((rising + falling) / 8, abs=0.1)
    assert amount(one, "more CO2 flow") == pytest.approx(20.0)  # bounded step
    assert "8 h of 8 h of light" in one.action
    assert "20 to 30 mg/L" in one.action
    assert any("cylinder" in caution for caution in one.cautions)


def test_co2_low_is_the_surer_the_more_of_the_light_was_below_beyond_doubt() -> None:
    sure = the(view_with(now=MORNING, co2=weak), "co2-low")
    unsure = the(view_with(now=MORNING, co2=lambda t: gassed(t, high=19.0)), "co2-low")
    assert 0.5 <= unsure.confidence < 0.75 < sure.confidence <= 0.95


def test_co2_low_stays_quiet_without_gas_and_for_a_short_dip() -> None:
    assert found(view_with(a_tank(co2_injected=False), now=MORNING, co2=weak), "co2-low") == []

    def dip(t: np.ndarray) -> np.ndarray:
        hour = t / 3.6e9 % 24
        return np.where((hour > 13) & (hour < 13.7), 15.0, gassed(t))

    assert found(view_with(now=MORNING, co2=dip), "co2-low") == []


def test_co2_low_clears_at_a_lower_threshold_than_it_is_raised() -> None:
    def dip(t: np.ndarray) -> np.ndarray:
        hour = t / 3.6e9 % 24
        return np.where((hour > 13) & (hour < 13.75), 15.0, gassed(t))

    view = view_with(now=MORNING, co2=dip)
    assert found(view, "co2-low") == []
    assert found(view, "co2-low", frozenset({("co2-low", "")})) != []


def test_co2_low_only_at_lights_on_is_not_a_matter_of_more_gas() -> None:
    """Gas that opens with the lamp: below for an hour, then within."""
    late = view_with(now=MORNING, co2=lambda t: gassed(t, on=10.0))
    assert late.co2_lit is not None
    # 3 + 23 (1 - exp(-1.5 t)) = 20 after 54 min
    assert late.co2_lit.early_below_min == pytest.approx(40 * np.log(23 / 6), abs=5)
    assert found(late, "co2-low") == []


def test_stale_ph_says_nothing_of_co2() -> None:
    view = view_with(now=NOON + 40 * HOUR, series=days_of(NOON, co2=strong))
    assert found(view, "co2-low") == []
    assert found(view, "co2-high") == []
