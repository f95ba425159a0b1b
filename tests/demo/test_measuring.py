"""What simulated sensors make of the truth."""

from __future__ import annotations

import numpy as np
import pytest

from demo.measuring import LiveTank, check_sensor, measured, readings, simulated_readings
from demo.model import Sensor, TankModel
from demo.simulator import DAY_S, simulate
from service.store.model import SeriesKey

TRACE = simulate(TankModel("full"), 0.0, 5 * DAY_S)


def test_noise_has_its_size_and_no_bias() -> None:
    time_s, value = measured("a", Sensor("ph", noise_sd=0.02), TRACE)
    error = value - TRACE.ph
    assert np.array_equal(time_s, TRACE.time_s)
    assert error.std() == pytest.approx(0.02, rel=0.05)
    assert abs(error.mean()) < 4 * 0.02 / len(error) ** 0.5


def test_offset_and_drift_grow_from_the_origin() -> None:
    sensor = Sensor("temperature", offset=0.1, drift_per_day=0.02)
    time_s, value = measured("a", sensor, TRACE)
    assert np.allclose(value - TRACE.temperature_c, 0.1 + 0.02 * time_s / DAY_S)


def test_values_come_in_steps_of_the_resolution() -> None:
    _, value = measured("a", Sensor("temperature", noise_sd=0.05, step=0.0625), TRACE)
    assert np.allclose(value / 0.0625, np.round(value / 0.0625))


def test_interval_is_kept() -> None:
    time_s, _ = measured("a", Sensor("illuminance", every_s=300.0), TRACE)
    assert set(np.diff(time_s)) == {300.0}


def test_dropouts_take_their_share() -> None:
    trace = simulate(TankModel("full"), 0.0, 40 * DAY_S, step_s=600.0)
    sensor = Sensor("temperature", every_s=600.0, dropouts_per_day=6.0, dropout_min=60.0)
    time_s, _ = measured("a", sensor, trace)
    # silent where at least one of the Poisson-many dropouts lasts: 1 - exp(-rate * length)
    assert 1 - len(time_s) / len(trace) == pytest.approx(1 - np.exp(-0.25), abs=0.05)
    assert np.diff(time_s).max() > 3600


def test_spikes_are_single_readings() -> None:
    sensor = Sensor("ph", spikes_per_day=3.0, spike=4.0)
    _, value = measured("a", sensor, TRACE)
    far = np.flatnonzero(np.abs(value - TRACE.ph) > 1)
    assert 5 <= len(far) <= 30
    assert np.allclose((value - TRACE.ph)[far], 4.0)


def test_light_is_never_negative() -> None:
    _, value = measured("a", Sensor("illuminance", noise_sd=50.0), TRACE)
    assert value.min() == 0.0


def test_live_readings_equal_history() -> None:
    sensors = (
        Sensor("ph", noise_sd=0.01, step=0.01, dropouts_per_day=8.0),
        Sensor("temperature", every_s=120.0, noise_sd=0.05, spikes_per_day=5.0, spike=9.0),
    )
    model = TankModel("full", sensors=sensors)
    start = 1_000 * DAY_S
    whole = simulated_readings(model, start, start + DAY_S, seed=3, origin_s=start)
    live = LiveTank(model, start, seed=3, origin_s=start)
    pieces = []
    for end in np.arange(start, start + DAY_S + 1, 1800.0):
        pieces += live.until(float(end))[1]
    assert len(pieces) > 1500
    assert sorted(pieces, key=lambda one: (one.quantity, one.time_us)) == sorted(
        whole, key=lambda one: (one.quantity, one.time_us)
    )


def test_the_origin_moves_the_course_with_it() -> None:
    """A scenario looks the same whatever day it is played on."""
    model = TankModel("full", sensors=(Sensor("temperature", noise_sd=0.1, dropouts_per_day=4.0),))
    courses = []
    for start in (20_000 * DAY_S, 20_371 * DAY_S):
        found = simulated_readings(model, start, start + DAY_S, seed=1, origin_s=start)
        courses.append([(one.time_us - start * 1e6, one.value) for one in found])
    assert np.allclose(courses[0], courses[1])


def test_sensors_and_tanks_have_noise_of_their_own() -> None:
    first = measured("a", Sensor("ph", name="one", noise_sd=0.02), TRACE)[1]
    second = measured("a", Sensor("ph", name="two", noise_sd=0.02), TRACE)[1]
    third = measured("b", Sensor("ph", name="one", noise_sd=0.02), TRACE)[1]
    truth = TRACE.ph
    for other in (second, third):
        assert abs(np.corrcoef(first - truth, other - truth)[0, 1]) < 0.05


def test_readings_name_their_series() -> None:
    model = TankModel("full", sensors=(Sensor("ppfd", name="shelf"),))
    one = next(readings(model, TRACE))
    assert (one.key, one.time_us) == (SeriesKey("full", "ppfd", "shelf"), 60_000_000)


def test_a_quantity_that_is_not_simulated_is_refused() -> None:
    with pytest.raises(ValueError, match=r"conductivity.*allowed: temperature"):
        check_sensor(Sensor("conductivity"))
