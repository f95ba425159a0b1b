"""Temperature excursions, a dead lamp, a lamp that burns too long."""

from __future__ import annotations

from datetime import UTC, datetime, time, timedelta

import numpy as np
import pytest

from service.advice.engine.recommendation import Severity
from service.registry.models import PhotoperiodPlan, WaterChangePlan
from tests.advice.cases import amount, found, the, view_with
from tests.derive.pieces import NOON, a_tank, grid, lamp

EVENING = datetime(2026, 3, 10, 20, 0, tzinfo=UTC)


def heated_from(hour: float, to_c: float, until: float = 24.0):
    """24 °C, and ``to_c`` within some hours of the last day before the evening."""

    def celsius(t: np.ndarray) -> np.ndarray:
        hours = (t - grid(NOON, NOON)[0]) / 3.6e9 + 12
        return np.where((hours >= hour) & (hours < until), to_c, 24.0)

    return celsius


def test_within_range_is_quiet() -> None:
    assert found(view_with(), "temperature-out") == []


def test_too_warm_now_with_degrees_minutes_and_water() -> None:
    tank = a_tank(water_change=WaterChangePlan(tap_temperature_c=15.0))
    view = view_with(tank, EVENING, celsius=heated_from(14.0, 29.5))
    one = the(view, "temperature-out")
    assert one.subject == "above"
    assert one.severity is Severity.WARNING
    assert amount(one, "outside by") == pytest.approx(1.5)
    assert amount(one, "time outside") == pytest.approx(360, abs=6)
    # 1 K step of 14.5 K between tank and tap: 1/14.5 of 180 L
    assert amount(one, "water to change") == pytest.approx(180 / 14.5)
    assert "stir the surface for oxygen" in one.action
    assert "moves it by about 1.0 K" in one.action
    assert one.evidence[2].text == "limit of Paracheirodon axelrodi"


def test_far_too_warm_is_urgent_and_cold_asks_for_the_heater() -> None:
    hot = the(view_with(now=EVENING, celsius=heated_from(14.0, 31.0)), "temperature-out")
    assert hot.severity is Severity.URGENT
    cold = the(view_with(now=EVENING, celsius=heated_from(14.0, 20.5)), "temperature-out")
    assert cold.subject == "below"
    assert "heater has power" in cold.action
    unheated = view_with(a_tank(heated=False), EVENING, celsius=heated_from(14.0, 20.5))
    assert "has no heater" in the(unheated, "temperature-out").action


def test_over_excursion_is_told_for_a_day_and_then_clears() -> None:
    warm = heated_from(2.0, 29.5, until=8.0)
    one = the(view_with(now=NOON, celsius=warm), "temperature-out")
    assert one.severity is Severity.ADVICE
    assert one.title == "Water was too warm for 6 h"
    assert "back in range" in one.action
    assert found(view_with(now=NOON + timedelta(hours=21), celsius=warm), "temperature-out") == []


def test_noise_at_the_limit_stays_one_excursion() -> None:
    """Hysteresis: 28.15 °C with 0.1 K of noise dithers about 28 °C but is one excursion."""
    noise = np.random.default_rng(1).normal(0, 0.1, 10_000)
    view = view_with(now=EVENING, celsius=lambda t: heated_from(8.0, 28.15)(t) + noise[: t.size])
    assert len(view.excursions) == 1
    assert len(found(view, "temperature-out")) == 1


def test_dead_lamp_in_planned_hours() -> None:
    def dead_since_11(t: np.ndarray) -> np.ndarray:
        out = lamp(t)
        out[t >= grid(NOON, NOON)[0] - 3_600_000_000] = 10.0
        return out

    one = the(view_with(now=NOON, lux=dead_since_11), "light-dead")
    assert one.severity is Severity.WARNING
    assert amount(one, "dark in wanted light") == pytest.approx(60, abs=2)
    assert "sensor is covered" in one.action


def test_dead_lamp_is_quiet_at_night_within_grace_and_when_lit() -> None:
    assert found(view_with(now=NOON), "light-dead") == []
    assert found(view_with(now=NOON.replace(hour=22)), "light-dead") == []
    late = lambda t: lamp(t, on=10.75)  # noqa: E731
    assert found(view_with(now=NOON.replace(hour=10, minute=20), lux=late), "light-dead") == []


def test_a_whole_dark_day_is_told_the_next_morning_and_clears_when_lit() -> None:
    def dark_yesterday(t: np.ndarray) -> np.ndarray:
        out = lamp(t)
        day = (grid(NOON, NOON)[0] - t) / 8.64e10
        out[(day > 0.5) & (day < 1.5)] = 10.0
        return out

    morning = NOON.replace(hour=8)
    assert the(view_with(now=morning, lux=dark_yesterday), "light-dead").title == (
        "The lamp stayed dark"
    )
    assert found(view_with(now=NOON, lux=dark_yesterday), "light-dead") == []


def test_photoperiod_too_long_yesterday() -> None:
    one = the(view_with(now=NOON, lux=lambda t: lamp(t, off=20.0)), "light-long")
    assert amount(one, "light too long") == pytest.approx(120, abs=2)
    assert "Set the timer back by 2 h" in one.action
    assert found(view_with(now=NOON, lux=lambda t: lamp(t, off=18.5)), "light-long") == []


def test_lamp_still_on_past_its_plan() -> None:
    def stuck_on(t: np.ndarray) -> np.ndarray:
        out = lamp(t)
        out[t > grid(NOON, NOON)[0]] = 12_000.0
        return out

    one = the(view_with(now=EVENING, lux=stuck_on), "light-long")
    assert one.title == "The lamp is on 2 h too long"
    assert found(view_with(now=EVENING), "light-long") == []


def test_a_look_at_night_is_no_long_photoperiod() -> None:
    def torch(t: np.ndarray) -> np.ndarray:
        out = lamp(t)
        out[t > grid(EVENING, EVENING)[0] - 10 * 60_000_000] = 12_000.0
        return out

    assert found(view_with(now=EVENING, lux=torch), "light-long") == []


def test_plan_over_midnight() -> None:
    tank = a_tank(photoperiod=PhotoperiodPlan(time(20), 8.0))
    over = lambda t: np.where(((t / 3.6e9 % 24) >= 20) | ((t / 3.6e9 % 24) < 4), 12_000.0, 10.0)  # noqa: E731
    for hour in (1, 3, 6, 12, 19, 21):
        view = view_with(tank, NOON.replace(hour=hour), lux=over)
        assert found(view, "light-dead") == []
        assert found(view, "light-long") == []
