"""The rule on temperature outside the animals' range."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import numpy as np
import pytest

from service.advice.engine.recommendation import Severity
from service.registry.models.plans import WaterChangePlan
from service.registry.models.tank import Stock
from service.registry.species.names import species
from tests.advice.cases import amount, found, the, view_with
from tests.derive.pieces import NOON, a_tank, days_of, grid

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
    assert "raise the filter outlet for oxygen" in one.action
    assert "moves it by about 1.0 °C" in one.action
    assert one.evidence[2].text == "limit of Paracheirodon axelrodi"


@pytest.mark.parametrize(
    ("stock", "source"),
    [
        (Stock("Paracheirodon innesi", 20), species("Paracheirodon innesi").tolerable_c.source),
        (Stock("Paracheirodon innesi", 20, temperature_high_c=25.0), "set for this tank"),
        (Stock("An invented fish", 20, temperature_high_c=25.0), "set for this tank"),
    ],
)
def test_the_limit_names_where_it_comes_from(stock: Stock, source: str) -> None:
    view = view_with(a_tank(animals=(stock,)), EVENING, celsius=heated_from(14.0, 29.5))
    assert the(view, "temperature-out").evidence[2].source == source


def test_far_too_warm_is_urgent_and_cold_asks_for_the_heater() -> None:
    hot = the(view_with(now=EVENING, celsius=heated_from(14.0, 31.0)), "temperature-out")
    assert hot.severity is Severity.URGENT
    cold = the(view_with(now=EVENING, celsius=heated_from(14.0, 20.5)), "temperature-out")
    assert cold.subject == "below"
    assert "heater has power" in cold.action
    unheated = view_with(a_tank(heated=False), EVENING, celsius=heated_from(14.0, 20.5))
    assert "has no heater" in the(unheated, "temperature-out").action


def test_an_excursion_that_is_over_is_reported_for_a_day_and_then_clears() -> None:
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


def test_what_has_come_back_is_not_urgent_although_its_end_is_not_certain() -> None:
    """Within the hysteresis of the excursion, but inside the range: nothing to bring down."""
    last = grid(EVENING, EVENING)[0]

    def back(t: np.ndarray) -> np.ndarray:
        return np.where(t >= last - 10 * 60 * 10**6, 27.85, heated_from(14.0, 31.0)(t))

    one = the(view_with(now=EVENING, celsius=back), "temperature-out")
    assert one.severity is Severity.ADVICE
    assert one.moves == () and one.due is None
    assert "Bring it down" not in one.action and one.title.startswith("Water was too warm")


def test_urgency_is_that_of_now_not_of_the_worst() -> None:
    last = grid(EVENING, EVENING)[0]

    def nearly(t: np.ndarray) -> np.ndarray:
        return np.where(t >= last - 30 * 60 * 10**6, 28.6, heated_from(14.0, 31.0)(t))

    one = the(view_with(now=EVENING, celsius=nearly), "temperature-out")
    assert one.severity is Severity.WARNING
    assert "Bring it down" in one.action


def test_without_a_reading_nobody_says_that_it_is_back() -> None:
    later = EVENING + timedelta(hours=3)
    stopped = days_of(EVENING, celsius=heated_from(14.0, 31.0))  # and nothing since
    one = the(view_with(now=later, series=stopped), "temperature-out")
    assert "not known" in one.action and "It is back" not in one.action


def test_what_is_hardly_outside_is_watched_and_moves_nothing() -> None:
    """0.2 °C above the limit of 28 is within a thermometer's error; 0.4 °C is not."""
    tank = a_tank(water_change=WaterChangePlan(tap_temperature_c=15.0))
    slight = the(view_with(tank, EVENING, celsius=heated_from(14.0, 28.2)), "temperature-out")
    assert slight.severity is Severity.ADVICE
    assert slight.moves == () and slight.due is None
    assert "nothing needs to be done yet" in slight.action
    assert [one.name for one in slight.amounts] == ["outside by", "time outside"]
    more = the(view_with(tank, EVENING, celsius=heated_from(14.0, 28.4)), "temperature-out")
    assert more.severity is Severity.WARNING
    assert more.moves != () and "raise the filter outlet" in more.action
    strict = a_tank(thresholds={"temperature_worth_c": 0.1})
    one = the(view_with(strict, EVENING, celsius=heated_from(14.0, 28.2)), "temperature-out")
    assert one.severity is Severity.WARNING
