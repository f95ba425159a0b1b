"""What holds for all rules together: a healthy tank, codes, contradictions."""

from __future__ import annotations

from datetime import time

import numpy as np

from service.advice.engine.catalogue import RULES, evaluate
from service.registry.models.plans import GasPlan, LightPlan
from tests.advice.cases import found, view_with
from tests.derive.pieces import NOON, a_tank, gassed


def test_low_in_the_morning_and_high_at_night_never_raises_and_lowers() -> None:
    """Low for the first lit hours, far too high at the end: only "lower" is said."""

    def both(t: np.ndarray) -> np.ndarray:
        hour = t / 3.6e9 % 24
        return np.where(hour < 15, 12.0, np.where(hour < 21, 40.0, 8.0))

    view = view_with(a_tank(light=LightPlan(), gas=GasPlan()), now=NOON.replace(hour=20), co2=both)
    assert found(view, "co2-high") != []
    assert found(view, "co2-low") == []


def test_light_over_midnight_is_one_photoperiod() -> None:
    """From 20:00 for eight hours: neither short nor long nor shifted."""
    tank = a_tank(light=LightPlan(time(20), 8.0), gas=GasPlan(time(18), time(3)))

    def over(t: np.ndarray) -> np.ndarray:
        hour = t / 3.6e9 % 24
        return np.where((hour >= 20) | (hour < 4), 12_000.0, 10.0)

    view = view_with(tank, lux=over, co2=lambda t: gassed(t - int(10 * 3.6e9)))
    assert not {one.code for one in evaluate(view)} & {
        "light-long", "light-short", "light-shifted", "light-dead"
    }  # fmt: skip


def test_healthy_tank_gives_no_finding_at_all() -> None:
    for hour in (0, 4, 9, 11, 15, 19, 23):
        assert evaluate(view_with(now=NOON.replace(hour=hour))) == []


def test_codes_are_unique_and_fit_into_topics() -> None:
    codes = [rule.code for rule in RULES]
    assert len(set(codes)) == len(codes) == 50
    assert all(code.replace("-", "").isalnum() and code.islower() for code in codes)
    assert all(rule.about for rule in RULES)
