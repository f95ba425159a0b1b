"""Medians and quantiles against those of numpy, to the last digit."""

import numpy as np
import pytest

from service.science.numeric.ranks import (
    median,
    median_seen,
    quantile,
    quantiles,
    running_median_of_five,
)


@pytest.fixture
def rng() -> np.random.Generator:
    return np.random.default_rng(7)


def test_median_is_that_of_numpy(rng: np.random.Generator) -> None:
    for size in (1, 2, 3, 4, 99, 100):
        values = rng.lognormal(size=size)
        assert median(values) == np.median(values)
        assert median(np.round(values)) == np.median(np.round(values))
    assert np.isnan(median(np.array([1.0, np.nan, 2.0])))
    assert median(np.array([1.0, np.inf, np.inf, 0.0])) == np.inf


def test_quantile_is_that_of_numpy(rng: np.random.Generator) -> None:
    for size in (1, 2, 3, 50, 2304):
        ordered = np.sort(rng.lognormal(size=size))
        for share in (0.0, 0.05, 0.1, 0.5, 0.98, 1.0):
            assert quantile(ordered, share) == np.quantile(ordered, share)


def test_quantiles_are_those_of_numpy(rng: np.random.Generator) -> None:
    shares = (0.0, 0.025, 0.5, 0.975, 1.0)
    for shape in ((1,), (2,), (50,), (1, 3), (1000, 4)):
        values = rng.lognormal(size=shape)
        np.testing.assert_array_equal(
            quantiles(values, shares), np.quantile(values, shares, axis=0)
        )
    values[7, 2] = np.nan
    np.testing.assert_array_equal(quantiles(values, shares), np.quantile(values, shares, axis=0))


def test_running_median_is_that_of_each_five(rng: np.random.Generator) -> None:
    for size in (1, 2, 5, 300):
        values = np.round(rng.lognormal(size=size), 1)
        windows = np.lib.stride_tricks.sliding_window_view(np.pad(values, 2, mode="edge"), 5)
        assert running_median_of_five(values).tolist() == np.median(windows, axis=1).tolist()


@pytest.mark.parametrize("axis", [0, 1])
@pytest.mark.parametrize("unknown", [0, 1, 7])
def test_medians_of_what_is_seen(axis: int, unknown: int) -> None:
    rng = np.random.default_rng(unknown)
    for shape in ((1, 1), (6, 9), (7, 10)):
        values = rng.normal(size=shape)
        if values.size > 1:  # along the diagonal, so that something is seen in each row and column
            here = np.arange(min(unknown, *shape))
            values[here, here] = np.nan
        expected = np.nanmedian(values, axis=axis)
        np.testing.assert_array_equal(median_seen(values, axis), expected)
