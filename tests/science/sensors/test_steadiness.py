"""When a sensor has settled: against an exponential approach of known speed."""

from __future__ import annotations

import math

import numpy as np
import pytest

from service.science.numeric.checks import OutOfRangeError
from service.science.sensors.steadiness import STEADY_PH_PER_MIN, steadiness


def approach(seconds, every_s, tau_s, *, noise=0.0):
    """From pH 4 to pH 7 with one time constant, the textbook's first-order lag (exact)."""
    time_s = np.arange(0.0, seconds + 1e-9, every_s)
    value = 7.0 - 3.0 * np.exp(-time_s / tau_s)
    return time_s, value + noise * np.sin(np.arange(time_s.size) * 1.7)


@pytest.mark.parametrize("every_s", [1.0, 5.0, 10.0])
@pytest.mark.parametrize("tau_s", [10.0, 30.0])
def test_settles_when_the_lag_moves_by_less_than_the_limit(every_s, tau_s):
    """By the lag's own derivative, 60 * 3 / tau * exp(-t / tau) a minute."""
    whole_s, whole = approach(900, every_s, tau_s, noise=0.003)
    steady_at = next(
        time_s
        for n, time_s in enumerate(whole_s)
        if steadiness(whole_s[: n + 1], whole[: n + 1]).steady
    )
    slow_at = tau_s * math.log(60 * 3 / tau_s / STEADY_PH_PER_MIN)
    assert slow_at <= steady_at <= slow_at + 75
    found = steadiness(whole_s, whole)
    assert found.value == pytest.approx(7.0, abs=0.005)
    assert abs(found.per_min) < STEADY_PH_PER_MIN


def test_a_slope_or_a_scatter_above_the_limit_is_not_steady():
    time_s = np.arange(0.0, 121.0, 5.0)
    creeping = steadiness(time_s, 7.0 + 0.03 * time_s / 60)
    assert not creeping.steady
    assert creeping.per_min == pytest.approx(0.03)
    jittery = steadiness(time_s, 7.0 + 0.05 * (np.arange(time_s.size) % 2))
    assert not jittery.steady
    assert jittery.spread == pytest.approx(0.025, abs=0.001)
    assert steadiness(time_s, 7.0 + 0.01 * time_s / 60).steady


def test_too_few_or_too_young_readings_are_not_steady():
    assert not steadiness([], []).steady
    assert not steadiness([0.0, 60.0], [7.0, 7.0]).steady
    assert not steadiness(np.arange(0.0, 30.0), np.full(30, 7.0)).steady
    assert steadiness([0.0, 60.0, 120.0], [7.0, 7.01, 7.0]).steady
    rare = steadiness([0.0, 300.0, 600.0], [7.0, 7.0, 7.0])
    assert (rare.steady, rare.readings, rare.over_s) == (True, 3, 600.0)


def test_limits_are_in_the_unit_of_the_readings():
    time_s = np.arange(0.0, 121.0, 5.0)
    volts = 2.5 + 0.0008 * time_s / 60
    assert steadiness(time_s, volts * 1e3, most_per_min=1.2, most_spread=1.2).steady
    assert not steadiness(time_s, volts * 1e3, most_per_min=0.5, most_spread=1.2).steady


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (([0.0, 1.0], [7.0]), "value"),
        (([1.0, 0.0, 2.0], [7.0, 7.0, 7.0]), "time_s"),
    ],
)
def test_bad_arguments_are_named(arguments, words):
    with pytest.raises(OutOfRangeError, match=words):
        steadiness(*arguments)
    with pytest.raises(OutOfRangeError, match="window_s"):
        steadiness([0.0], [7.0], window_s=0.0)
