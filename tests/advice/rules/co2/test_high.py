"""The rule on CO2 above what the animals tolerate."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime
from typing import Any

import numpy as np
import pytest

from service.advice.engine.levers import LESS_GAS
from service.advice.engine.recommendation import Severity
from service.derive.models.tank_view import TankView
from service.registry.models.tank import Stock
from service.science.numeric.estimate import Z95
from service.times import to_us
from tests.advice.cases import amount, found, the, view_with
from tests.derive.pieces import NOON, a_tank, days_of, gassed, samples

MORNING = datetime(2026, 3, 10, 7, 30, tzinfo=UTC)


def strong(t: np.ndarray) -> np.ndarray:
    return gassed(t, high=42.0)


def test_co2_high_is_urgent_while_it_lasts() -> None:
    one = the(view_with(now=NOON, co2=strong), "co2-high")
    assert one.severity is Severity.URGENT
    assert one.title == "CO2 is above 30 mg/L"
    assert "Close the CO2 cylinder now: pull the plug of the solenoid valve" in one.action
    assert "needle valve" in one.keeper_action and "needle valve" not in one.action
    assert "shut. Raise the filter outlet or run an air stone" in one.action
    assert one.due == NOON
    assert one.moves == (LESS_GAS,)


def high_case(peak: float, low: float, **changes: Any) -> TankView:
    view = view_with(co2=strong)
    assert view.co2_high is not None
    return replace(
        view, co2_high=replace(view.co2_high, peak_mg_l=peak, peak_low_mg_l=low, **changes)
    )


@pytest.mark.parametrize(
    ("peak", "low", "severity"),
    [
        (31.0, 30.1, Severity.URGENT),  # little above, and beyond doubt
        (32.0, 29.0, Severity.URGENT),  # 0.90 probable
        (32.0, 25.0, Severity.WARNING),  # 0.70 probable
        (34.4, 20.0, Severity.WARNING),  # 0.69 probable, 15 % not reached
        (34.6, 20.0, Severity.URGENT),  # 15 % above: no width of the interval plays it down
        (60.0, 5.0, Severity.URGENT),
    ],
)
def test_urgent_where_probable_or_far_above_however_wide_the_interval(
    peak: float, low: float, severity: Severity
) -> None:
    one = the(high_case(peak, low), "co2-high")
    assert one.severity is severity
    assert "Close the CO2 cylinder" in one.action


def test_what_new_animals_will_tolerate_later_is_a_warning() -> None:
    """80 % of their ceiling for the first days: a precaution."""
    assert the(high_case(34.6, 30.5, newcomers=True), "co2-high").severity is Severity.WARNING
    assert the(high_case(44.0, 30.5, newcomers=True), "co2-high").severity is Severity.URGENT


def test_the_probability_is_that_of_the_log_normal() -> None:
    """One standard deviation above the ceiling: 0.8413 (table of the normal distribution)."""
    one = high_case(30.0 * 1.1, 33.0 / 1.1**Z95).co2_high
    assert one is not None and one.probability_above(30.0) == pytest.approx(0.8413, abs=1e-4)


def test_doubt_is_said_and_ends_in_a_calibration() -> None:
    doubtful = the(high_case(36.0, 24.0), "co2-high")
    assert "(uncertain: it may have been only 24)" in doubtful.action
    assert "Calibrate the pH probe" in doubtful.keeper_action
    sure = the(high_case(36.0, 31.0), "co2-high")
    assert "uncertain" not in sure.action and "Calibrate" not in sure.keeper_action


def test_co2_high_is_reported_the_morning_after() -> None:
    one = the(view_with(now=MORNING, co2=strong), "co2-high")
    assert one.severity is Severity.WARNING
    assert "It is down again" in one.action
    # 42 mg/L at rest against 90 % of 30 mg/L
    assert amount(one, "less CO2 flow") == pytest.approx(100 * (1 - 27 / 42), abs=1)
    assert one.evidence[0].threshold == 30.0


def test_co2_high_needs_to_hold() -> None:
    def burst(t: np.ndarray) -> np.ndarray:
        hour = t / 3.6e9 % 24
        return np.where((hour > 11.85) & (hour < 12.1), 35.0, gassed(t))

    assert found(view_with(co2=burst), "co2-high") == []
    assert found(view_with(co2=burst), "co2-high", frozenset({("co2-high", "")})) != []


def test_ceiling_is_that_of_the_most_sensitive_animals() -> None:
    shrimp = a_tank(animals=(Stock("Caridina multidentata", 10, co2_max_mg_l=22.0),))
    one = the(view_with(shrimp, co2=gassed), "co2-high")
    assert one.evidence[1].text == "what Caridina multidentata tolerates"
    assert one.evidence[1].value == 22.0


def test_without_animals_the_ceiling_is_the_plants_and_never_urgent() -> None:
    one = the(view_with(a_tank(animals=()), co2=strong), "co2-high")
    assert one.severity is Severity.ADVICE
    assert "only wastes CO2" in one.action


def test_air_breathers_are_named() -> None:
    labyrinth = a_tank(
        animals=(
            Stock("Trichogaster lalius", 2, temperature_low_c=22, temperature_high_c=28,
                  co2_max_mg_l=30.0, air_breather=True),
        )
    )  # fmt: skip
    assert (
        "fish that take air at the surface, such as Trichogaster lalius"
        in the(view_with(labyrinth, co2=strong), "co2-high").action
    )


def test_noise_close_below_the_ceiling_is_no_alarm_and_keeps_an_active_one() -> None:
    """CO2 of 28.8 mg/L under a ceiling of 30, pH scattered by 0.01 (2.3 %): 20 looks."""
    rng = np.random.default_rng(4)
    base = days_of(NOON, co2=lambda t: gassed(t, high=28.8))
    burst = (base["ph"].time_us > to_us(NOON) - 9e8) * -0.02  # the last quarter of an hour
    for _ in range(20):
        noisy = base["ph"].value + rng.normal(0, 0.01, len(base["ph"]))
        view = view_with(series={**base, "ph": samples(base["ph"].time_us, noisy)})
        assert found(view, "co2-high") == []
        risen = view_with(
            series={**base, "ph": samples(base["ph"].time_us, base["ph"].value + burst)}
        )
        assert found(risen, "co2-high") == []
        assert found(risen, "co2-high", frozenset({("co2-high", "")})) != []
