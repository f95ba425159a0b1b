"""The forecast: its interval holds the truth as often as it says, on water with a known law."""

from __future__ import annotations

import math

import numpy as np
import pytest

from service.science.numeric.estimate import students_t_975
from service.science.temperature.daily_course import daily_course
from service.science.temperature.forecast import MAX_POINTS, binned, forecast_crossing
from tests.science.temperature.simulated_days import REGIMES, law_held, outcomes, simulate

HOUR = 3600.0
NOW = 1.7e9
RNG = np.random.default_rng(1)
TIME = NOW + np.arange(-3 * HOUR, 1, 60.0)


def noise(rng, sd, memory):
    """Noise of a probe in moving water, its neighbours alike by `memory`."""
    white = rng.normal(0, sd * math.sqrt(1 - memory**2), TIME.size)
    for i in range(1, white.size):
        white[i] += memory * white[i - 1]
    return white


def cooling(rng):
    """A heater fails: Newton's law of cooling towards the room."""
    tau_h, gap = rng.uniform(4, 30), rng.uniform(2, 8) * rng.choice([-1, 1])
    return lambda hours: 25 + gap * (1 - np.exp(-(hours + 3) / tau_h))


def heating(rng):
    """A heater that does not switch off: a straight line."""
    slope = rng.uniform(0.1, 0.8)
    return lambda hours: 25 + slope * (hours + 3)


@pytest.mark.parametrize("law", [cooling, heating])
@pytest.mark.parametrize(
    ("sd", "memory", "least"), [(0.03, 0.0, 0.93), (0.10, 0.0, 0.93), (0.03, 0.8, 0.93)]
)
def test_interval_holds_the_truth(law, sd, memory, least):
    rng = np.random.default_rng(20)
    held = []
    for _ in range(120):
        curve, hours = law(rng), rng.uniform(0.5, 10)
        limit = float(curve(hours))
        if abs(limit - curve(0.0)) < 0.2:
            continue
        read = np.round((curve((TIME - NOW) / HOUR) + noise(rng, sd, memory)) / 0.0625) * 0.0625
        found = forecast_crossing(TIME, read, limit)
        truth = NOW + hours * HOUR
        held.append(found is not None and found.earliest_s - 60 <= truth <= found.latest_s + 60)
    assert len(held) > 80
    assert np.mean(held) >= least


def test_straight_line_by_hand():
    # 0.5 K/h from 25 °C three hours ago: 26.5 now, 28 in three hours.
    found = forecast_crossing(TIME, 25 + 0.5 * (TIME - TIME[0]) / HOUR, 28)
    assert found is not None
    assert found.at_s == pytest.approx(NOW + 3 * HOUR, abs=0.15 * HOUR)
    assert found.earliest_s < found.at_s < found.latest_s
    assert found.probability > 0.97


def test_steady_water_reaches_nothing():
    rng = np.random.default_rng(4)
    assert forecast_crossing(TIME, 24 + rng.normal(0, 0.03, TIME.size), 28) is None


def test_approach_to_equilibrium_short_of_the_limit():
    # Cools towards 21 °C; the limit is 20.
    curve = 21 + 4 * np.exp(-((TIME - TIME[0]) / HOUR) / 3)
    found = forecast_crossing(TIME, curve, 20, horizon_s=24 * HOUR)
    assert found is None or (found.latest_s == math.inf and found.probability < 0.9)


def test_already_beyond_is_now():
    found = forecast_crossing(TIME, 25 + 0.5 * (TIME - TIME[0]) / HOUR, 26.5 - 1e-9)
    assert found is not None
    assert found.earliest_s == NOW


@pytest.mark.parametrize("size", [0, 1, 7])
def test_too_little_to_say(size):
    assert forecast_crossing(TIME[:size], np.full(size, 25.0), 28) is None


def test_samples_of_a_short_stretch_say_nothing():
    assert forecast_crossing(TIME[-60:], np.linspace(25, 26, 60), 28) is None


@pytest.mark.parametrize("n", [1, 2, 3, 4, 5, 10, 30, 200])
def test_students_t_vs_scipy(n):
    from scipy.stats import t as students_t  # here, so that not every process takes the time

    expected = students_t.ppf(0.975, n)
    assert students_t_975(n) == pytest.approx(expected, rel=1.3e-3 if n == 3 else 4e-4)


def test_readings_are_averaged_only_where_there_are_too_many():
    few = np.sort(np.random.default_rng(3).uniform(-6.0, 0.0, MAX_POINTS))
    hours, celsius = binned(few, few + 30.0)
    assert (hours.tolist(), celsius.tolist()) == (few.tolist(), (few + 30.0).tolist())
    many = np.linspace(-6.0, 0.0, 2 * MAX_POINTS)
    hours, celsius = binned(many, many + 30.0)
    assert hours.size == MAX_POINTS
    assert np.allclose(celsius, hours + 30.0)
    assert hours.mean() == pytest.approx(-3.0, abs=0.01)


@pytest.mark.parametrize(("noise_c", "memory"), [(0.03, 0.0), (0.1, 0.95)])
def test_fast_water_and_noise_that_hangs_together(noise_c, memory):
    """Time constants of 1 to 3 h; 95 % nominal, 88 % and more of 80 is within chance."""
    rng = np.random.default_rng(31)
    assert np.mean(law_held((1.0, 3.0), noise_c, memory, 80, rng)) >= 0.88


def test_probabilities_of_day_and_night_come_true():
    """What was called likelier than 80 % came true in half of the cases without own days."""
    rng = np.random.default_rng(8)
    found = []
    for kind in ("day and night", "small tank, 1 to 3 h", "a lamp that warms"):
        found += outcomes(simulate(REGIMES[kind], 40, rng), rng)
    likely = [math.isfinite(one.truth_h) for one in found if one.probability > 0.8]
    unlikely = [math.isfinite(one.truth_h) for one in found if one.probability < 0.2]
    assert len(likely) > 25 and np.mean(likely) > 0.85
    assert len(unlikely) > 25 and np.mean(unlikely) < 0.1
    assert np.mean([one.held for one in found]) > 0.92


def test_own_days_say_that_the_afternoon_ends():
    """At two the water rises as each day; it turned at four on all of them, below the limit."""
    hours = np.arange(-8 * 24, 0.01, 1 / 12)
    warm = 24 + np.cos(2 * np.pi * (hours - 2) / 24) + RNG.normal(0, 0.02, hours.size)
    time = NOW + hours * HOUR
    course = daily_course(time, warm, NOW, back_h=3, ahead_h=12)
    assert course is not None
    assert course.mean[-1] == pytest.approx(-np.cos(np.pi / 6) - np.cos(np.pi / 6), abs=0.05)
    blind = forecast_crossing(time, warm, 25.6)
    known = forecast_crossing(time, warm, 25.6, course=course)
    assert known is None or known.probability < 0.2
    assert blind is not None and blind.probability > (known.probability if known else 0.0)


def test_days_with_gaps_make_no_course():
    hours = np.arange(-8 * 24, 0.01, 1 / 12)
    seen = (hours % 24 < 3) | (hours % 24 > 6)
    assert daily_course(NOW + hours[seen] * HOUR, hours[seen], NOW, back_h=3, ahead_h=12) is None
