"""The fit of an approach, against generalised least squares written out with full matrices."""

from __future__ import annotations

import numpy as np

from service.science.temperature.approach import AUTOCORRELATIONS, drawn_courses, fit_approach


def test_level_rate_and_their_errors_are_those_of_generalised_least_squares() -> None:
    """As Aitken 1936 (Proc. R. Soc. Edinb. 55:42-48, from memory), for each row."""
    rng = np.random.default_rng(5)
    hours = np.sort(rng.uniform(-3, 0, 20))
    celsius = 24 + 0.8 * np.exp(0.4 * hours) + rng.normal(0, 0.05, hours.size)
    fits = fit_approach(hours, celsius)
    apart = np.abs(np.subtract.outer(np.arange(hours.size), np.arange(hours.size)))
    for one in range(0, fits.level.size, 37):
        memory = AUTOCORRELATIONS[one % AUTOCORRELATIONS.size]
        row = one // AUTOCORRELATIONS.size
        since = np.maximum(hours - fits.began[row], 0)
        design = np.stack([np.ones(hours.size), (1 - np.exp(-fits.k[row] * since)) / fits.k[row]])
        inverse = np.linalg.inv(memory**apart / (1 - memory**2))
        information = design @ inverse @ design.T
        level, rate = np.linalg.solve(information, design @ inverse @ celsius)
        assert np.isclose(fits.level[one], level, rtol=1e-6)
        assert np.isclose(fits.rate[one], rate, rtol=1e-5, atol=1e-8)
        residual = celsius - level - rate * design[1]
        variance = residual @ inverse @ residual / (hours.size - 2)
        covariance = variance * np.linalg.inv(information)
        assert np.allclose(fits.root[one] @ fits.root[one].T, covariance, rtol=1e-5)


def test_courses_are_the_same_whichever_of_them_are_wanted() -> None:
    hours = np.linspace(-3, 0, 20)
    fits = fit_approach(hours, 24 + 0.3 * hours + 0.01 * np.sin(40 * hours))
    ahead, some = np.linspace(0, 12, 9), np.arange(50) % 3 == 0
    every = drawn_courses(fits, ahead, np.full(50, True), np.random.default_rng(1))
    of_some = drawn_courses(fits, ahead, some, np.random.default_rng(1))
    assert np.array_equal(of_some, every[some])
