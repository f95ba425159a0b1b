"""CO2 below target and above what animals tolerate."""

from __future__ import annotations

from datetime import UTC, datetime

import numpy as np
import pytest

from service.advice.engine.recommendation import Severity
from service.registry.models import PhotoperiodPlan, Stock
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
    assert amount(one, "lit time below target") == pytest.approx(480, abs=5)
    # By hand, from 10 to 17 on its way to 14 mg/L, then an hour of falling from there:
    rising = 7 * 6 + 11 / 1.5 * (np.exp(-3) - np.exp(-13.5))
    falling = 17 - 11 * (1 - np.exp(-0.5)) / 0.5
    assert amount(one, "CO2 missing") == pytest.approx((rising + falling) / 8, abs=0.1)
    assert amount(one, "more gas flow") == pytest.approx(20.0)  # bounded step
    assert "8 h of 8 h of light" in one.action
    assert "20 to 30 mg/L" in one.action
    assert any("cylinder" in caution for caution in one.cautions)


def test_co2_low_stays_quiet_without_gas_and_for_a_short_dip() -> None:
    assert found(view_with(a_tank(co2_injected=False), now=MORNING, co2=weak), "co2-low") == []

    def dip(t: np.ndarray) -> np.ndarray:
        hour = t / 3.6e9 % 24
        return np.where((hour > 13) & (hour < 13.7), 15.0, gassed(t))

    assert found(view_with(now=MORNING, co2=dip), "co2-low") == []


def test_co2_low_lets_go_later_than_it_takes_hold() -> None:
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


def test_co2_high_is_urgent_while_it_lasts() -> None:
    one = the(view_with(now=NOON, co2=strong), "co2-high")
    assert one.severity is Severity.URGENT
    assert one.title == "CO2 is above 30 mg/L"
    assert "Close the gas now and stir the surface" in one.action
    assert one.due == NOON
    assert one.moves == ("co2:lower",)


def test_co2_high_is_told_the_morning_after() -> None:
    one = the(view_with(now=MORNING, co2=strong), "co2-high")
    assert one.severity is Severity.WARNING
    assert "It is down again" in one.action
    # 42 mg/L at rest against 90 % of 30 mg/L
    assert amount(one, "less gas flow") == pytest.approx(100 * (1 - 27 / 42), abs=1)
    assert one.evidence[0].threshold == 30.0


def test_co2_high_needs_to_hold() -> None:
    def burst(t: np.ndarray) -> np.ndarray:
        hour = t / 3.6e9 % 24
        return np.where((hour > 11.85) & (hour < 12.1), 35.0, gassed(t))

    assert found(view_with(co2=burst), "co2-high") == []
    assert found(view_with(co2=burst), "co2-high", frozenset({("co2-high", "")})) != []


def test_ceiling_is_that_of_the_most_sensitive_animals() -> None:
    shrimp = a_tank(livestock=(Stock("Caridina multidentata", 10, co2_max_mg_l=22.0),))
    one = the(view_with(shrimp, co2=gassed), "co2-high")
    assert one.evidence[1].text == "what Caridina multidentata tolerates"
    assert one.evidence[1].value == 22.0


def test_without_animals_the_ceiling_is_the_plants_and_never_urgent() -> None:
    one = the(view_with(a_tank(livestock=()), co2=strong), "co2-high")
    assert one.severity is Severity.ADVICE
    assert "only wastes gas" in one.action


def test_air_breathers_are_the_reason_to_stir() -> None:
    labyrinth = a_tank(
        livestock=(
            Stock("Trichogaster lalius", 2, temperature_low_c=22, temperature_high_c=28,
                  co2_max_mg_l=30.0, air_breather=True),
        )
    )  # fmt: skip
    assert (
        "fish that take air there, such as Trichogaster lalius"
        in the(view_with(labyrinth, co2=strong), "co2-high").action
    )


def test_low_in_the_morning_and_high_at_night_never_raises_and_lowers() -> None:
    """Low for the first lit hours, far too high at the end: only "lower" is said."""

    def both(t: np.ndarray) -> np.ndarray:
        hour = t / 3.6e9 % 24
        return np.where(hour < 15, 12.0, np.where(hour < 21, 40.0, 8.0))

    plan = PhotoperiodPlan()
    view = view_with(a_tank(photoperiod=plan), now=NOON.replace(hour=20), co2=both)
    assert found(view, "co2-high") != []
    assert found(view, "co2-low") == []


def test_stale_ph_says_nothing_of_co2() -> None:
    view = view_with(now=NOON + 40 * HOUR, series=days_of(NOON, co2=strong))
    assert found(view, "co2-low") == []
    assert found(view, "co2-high") == []
