"""CO2 now and CO2 over time, from the same inputs, are one."""

from __future__ import annotations

from datetime import timedelta

import pytest

from service.derive.co2.current import co2_now
from service.derive.co2.series import co2_series
from service.registry.models.log import LogKind
from service.times import from_us, to_us
from tests.derive.pieces import (
    NOON,
    a_tank,
    days_of,
    entry,
    gassed,
    grid,
    inputs_with,
    samples,
)


def test_inputs_pair_and_reports_time_of_the_older_reading() -> None:
    found = co2_now(inputs_with(a_tank(), NOON, days_of(days=1)))
    assert found.co2 is not None
    assert found.co2.value == pytest.approx(float(gassed(grid(NOON, NOON))[0]), rel=1e-6)
    assert found.time == from_us(to_us(NOON))


@pytest.mark.parametrize("us_cm", [None, 150.0, 1500.0])
@pytest.mark.parametrize("celsius", [None, 20.0, 28.0])
def test_now_is_the_last_value_of_the_series(us_cm: float | None, celsius: float | None) -> None:
    series = days_of(days=1, celsius=celsius or 24.0)
    if celsius is None:
        del series["temperature"]
    if us_cm is not None:
        series["conductivity"] = samples(series["ph"].time_us[::12], us_cm)
    log = [entry(LogKind.CALIBRATION, NOON - timedelta(days=20), quantity="ph")]
    inputs = inputs_with(a_tank(gh_meq_l=2.0), NOON, series, log)
    now, over_time = co2_now(inputs).co2, co2_series(inputs)
    assert now is not None
    assert (now.value, now.low, now.high) == pytest.approx(
        tuple(float(one[-1]) for one in (over_time.value, over_time.low, over_time.high))
    )


def test_thermometer_just_below_freezing_is_that_of_ice_water() -> None:
    # fresh water is liquid down to 0 °C; the sensor is off
    series = days_of(days=1, celsius=0.0)
    at_zero = inputs_with(a_tank(), NOON, dict(series))
    series["temperature"] = samples(series["temperature"].time_us, -0.4)
    below = inputs_with(a_tank(), NOON, series)
    now = co2_now(below).co2
    assert now is not None
    assert now == co2_now(at_zero).co2
    assert co2_series(below).value == pytest.approx(co2_series(at_zero).value)
