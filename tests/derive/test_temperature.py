"""Temperature now, its rate and forecast, and excursions."""

from __future__ import annotations

from datetime import timedelta

import numpy as np
import pytest

from service.derive.inhabitants.tolerance import tolerance_of
from service.derive.models.quality import Quality
from service.derive.models.temperature import TemperatureNow
from service.derive.temperature import daily_minima, excursions_of, temperature_at
from service.registry.models.tank import Stock, Tank
from service.store.model import Reading, Samples
from service.times import to_us
from tests.derive.pieces import NOON, a_tank, grid, samples

DAY = timedelta(days=1)
TWO_FISH = (
    Stock("Tanichthys albonubes", 12, temperature_low_c=18.0, temperature_high_c=22.0),
    Stock("Danio rerio", 8, temperature_low_c=20.0, temperature_high_c=25.0),
)


def now_of(tank: Tank, series: Samples, minutes_ago: float = 0.0) -> TemperatureNow:
    time_us = to_us(NOON) - int(minutes_ago * 6e7)
    last = Reading("reed", "temperature", "one", time_us, float(series.value[-1]))
    return temperature_at(tank, NOON, tolerance_of(tank, (), NOON), reading=last, samples=series)


def ramp(rate_k_h: float, end_c: float, hours: float = 3.0) -> Samples:
    time_us = grid(NOON - timedelta(hours=hours), NOON)
    return samples(time_us, end_c + rate_k_h * (time_us - time_us[-1]) / 3.6e9)


def test_range_is_what_all_animals_share() -> None:
    found = now_of(a_tank(animals=TWO_FISH), ramp(0.0, 21.0))
    assert (found.tolerable.low_c, found.tolerable.low_species) == (20.0, "Danio rerio")
    assert (found.tolerable.high_c, found.tolerable.high_species) == (22.0, "Tanichthys albonubes")


def test_rate_of_a_straight_line() -> None:
    assert now_of(a_tank(), ramp(0.7, 24.0)).rate_k_h == pytest.approx(0.7, abs=1e-6)


def test_forecast_meets_the_line_and_only_where_it_is_heading() -> None:
    """At 0.5 K/h from 26.5 °C, 28 °C is 3 h away."""
    rising = now_of(a_tank(), ramp(0.5, 26.5))
    assert rising.forecast is not None
    assert rising.forecast.side == "above"
    assert rising.forecast.earliest_s < (NOON + timedelta(hours=3.5)).timestamp()
    assert rising.forecast.latest_s > (NOON + timedelta(hours=2.5)).timestamp()
    falling = now_of(a_tank(), ramp(-0.5, 26.5))
    assert falling.forecast is not None and falling.forecast.side == "below"
    assert now_of(a_tank(), ramp(0.0, 26.5)).forecast is None


def test_old_reading_is_stale_with_the_reason() -> None:
    found = now_of(a_tank(), ramp(0.2, 24.0), minutes_ago=75)
    assert found.quality is Quality.STALE
    assert found.rate_k_h is None
    assert found.reasons == ("there is no usable temperature reading",)


def test_no_temperature_suits_all() -> None:
    odd = (
        TWO_FISH[0],
        Stock("Symphysodon discus", 4, temperature_low_c=27.0, temperature_high_c=31.0),
    )
    found = now_of(a_tank(animals=odd), ramp(0.0, 24.0))
    assert found.comfortable.is_open
    assert found.reasons == (
        "there is no temperature that all animals tolerate: Symphysodon discus from 27 °C on, "
        "Tanichthys albonubes up to 22 °C",
    )


def test_where_no_temperature_suits_all_what_suits_none_is_still_judged() -> None:
    """A stuck heater must not go unseen because two species contradict each other."""
    odd = (
        TWO_FISH[0],
        Stock("Symphysodon discus", 4, temperature_low_c=27.0, temperature_high_c=31.0),
    )
    tank = a_tank(animals=odd)
    tolerable = now_of(tank, ramp(0.0, 24.0)).tolerable
    assert (tolerable.low_c, tolerable.high_c) == (18.0, 31.0)
    limits = tolerance_of(tank, (), NOON).tolerable
    assert excursions_of(tank, ramp(0.0, 30.5), limits) == ()
    (hot,) = excursions_of(tank, ramp(0.0, 33.0), limits)
    assert hot.side == "above"


def test_excursion_of_a_triangle_is_exact() -> None:
    """A triangle 2 K high over the limit and 4 h wide at it has 4 K h."""
    time_us = grid(NOON - timedelta(hours=12), NOON, 30)
    hours = (time_us - time_us[0]) / 3.6e9
    series = samples(time_us, 30.0 - np.abs(hours - 6.0))
    (found,) = excursions_of(a_tank(), series, tolerance_of(a_tank(), (), NOON).tolerable)
    assert found.side == "above"
    assert found.degree_hours == pytest.approx(4.0)
    assert found.length_s == pytest.approx(4 * 3600)
    assert found.peak_c == 30.0


def test_no_animals_no_excursions() -> None:
    bare = a_tank(animals=())
    assert excursions_of(bare, ramp(3.0, 40.0), tolerance_of(bare, (), NOON).tolerable) == ()


def test_daily_minima_stop_at_a_day_without_readings() -> None:
    time_us = grid(NOON - 5 * DAY + timedelta(hours=1), NOON, 60)
    falling = samples(time_us, 25.0 - (time_us - time_us[0]) / 8.64e10)
    assert daily_minima(falling, NOON) == pytest.approx((24.0, 23.0, 22.0, 21.0, 20.0), abs=0.1)
    kept = falling.time_us > time_us[-1] - 1.5 * 8.64e10
    late = Samples(falling.time_us[kept], falling.value[kept], falling.flags[kept])
    assert len(daily_minima(late, NOON)) == 1  # half of the second day was not seen
