"""Light under water and the sensor's own factor."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.science.light.calibration import calibrate_lux
from service.science.light.depth import (
    SURFACE_TRANSMISSION,
    fit_attenuation,
    ppfd_at_depth,
)


def test_depth_of_one_percent_is_4_6_over_k():
    # Kirk 2011: the euphotic depth, 1 % of surface light, is 4.6 / Kd.
    assert ppfd_at_depth(100, 460.5, 1.0) == pytest.approx(1.0, abs=1e-3)


def test_ten_percent_per_metre():
    # Neuhauser, Calculus for Biology and Medicine, a problem on light in water: if 10 % goes in
    # the first metre, 90, 81 and 72.9 % are left at 1, 2 and 3 m, and K = -ln 0.9.
    left = ppfd_at_depth(100, [100, 200, 300], -np.log(0.9))
    assert left == pytest.approx([90, 81, 72.9])


def test_two_percent_is_mirrored_at_the_surface():
    # Fresnel at right angles, n = 1.333: 2.0 % (any optics handbook).
    assert pytest.approx(0.980, abs=5e-4) == SURFACE_TRANSMISSION
    assert ppfd_at_depth(200, 0, 1, surface_transmission=SURFACE_TRANSMISSION) == pytest.approx(
        196, abs=0.1
    )


@given(st.floats(0.05, 8), st.floats(20, 2000))
def test_fit_recovers_what_was_put_in(k, surface):
    depth = np.array([0.0, 10, 20, 35])
    profile = fit_attenuation(depth, ppfd_at_depth(surface, depth, k))
    assert profile.attenuation_per_m == pytest.approx(k, rel=1e-6)
    assert profile.surface_ppfd == pytest.approx(surface, rel=1e-6)


def test_interval_of_the_fit_holds_the_truth_95_in_100():
    rng = np.random.default_rng(11)
    depth = np.array([5.0, 10, 20, 30, 40])
    held = 0
    for _ in range(1000):
        read = ppfd_at_depth(300, depth, 2.0) * np.exp(rng.normal(0, 0.05, depth.size))
        profile = fit_attenuation(depth, read)
        held += profile.low_per_m <= 2.0 <= profile.high_per_m
    assert 930 <= held <= 970


def test_two_depths_give_no_interval_and_one_is_refused():
    assert fit_attenuation([0, 20], [100, 80]).high_per_m == np.inf
    with pytest.raises(ValueError, match="number of depths is 1; allowed: 2 and more"):
        fit_attenuation([20, 20], [100, 80])


def test_calibration_is_the_geometric_mean():
    found = calibrate_lux([1000, 4000], [16, 64 * 1.21])
    assert found.umol_per_lux == pytest.approx(0.016 * 1.1)
    assert found.pairs == 2
    assert found.low < found.umol_per_lux < found.high


def test_calibration_interval_holds_the_truth():
    rng = np.random.default_rng(12)
    held = 0
    for _ in range(1000):
        lux = rng.uniform(500, 20_000, 6)
        meter = 1 + rng.normal(0, 0.025)
        found = calibrate_lux(lux, 0.0145 * lux * meter * np.exp(rng.normal(0, 0.04, 6)))
        held += found.low <= 0.0145 <= found.high
    assert 930 <= held <= 985


def test_one_pair_is_honest_about_itself():
    found = calibrate_lux([10_000], [150])
    assert found.umol_per_lux == pytest.approx(0.015)
    assert found.high / found.umol_per_lux > 1.1
    with pytest.raises(ValueError, match="number of pairs"):
        calibrate_lux([np.nan], [150])
