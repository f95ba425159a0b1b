"""Growth in height from measured heights, with cuts between them."""

from __future__ import annotations

import numpy as np
import pytest

from service.science.numeric.estimate import Z95, students_t_975
from service.science.plants.growth import READING_SD_CM, growth_cm_per_week


def stretch(*points: tuple[float, float]) -> tuple[np.ndarray, np.ndarray]:
    days, heights = zip(*points, strict=True)
    return np.array(days), np.array(heights)


def test_a_slope_of_exact_heights_and_the_error_of_the_ruler() -> None:
    """By hand: days -7, 0, 7 about their mean; the sum of their squares is 98."""
    found = growth_cm_per_week([stretch((0.0, 10.0), (7.0, 13.0), (14.0, 16.0))])
    assert found is not None
    assert float(found.value) == pytest.approx(3.0)
    half = 7 * Z95 * READING_SD_CM / 98**0.5
    assert float(found.high - found.value) == pytest.approx(half)


def test_several_stretches_share_one_slope_as_regression_with_dummies_has_it() -> None:
    """Against numpy's least squares with a column of its own for each stretch, and its covariance
    (any textbook of regression; Draper & Smith 1998, from memory)."""
    rng = np.random.default_rng(7)
    parts = [
        (days, start + 0.5 * days + rng.normal(0, 3.0, days.size))
        for start, days in ((8.0, np.arange(0.0, 30, 5)), (5.0, np.arange(40.0, 75, 7)))
    ]
    found = growth_cm_per_week(parts)
    days = np.concatenate([one for one, _ in parts])
    heights = np.concatenate([one for _, one in parts])
    first = np.arange(days.size) < parts[0][0].size
    design = np.column_stack((days, first, ~first)).astype(float)
    solved, rss, *_ = np.linalg.lstsq(design, heights, rcond=None)
    degrees = days.size - 3
    sd = (rss[0] / degrees * np.linalg.inv(design.T @ design)[0, 0]) ** 0.5
    assert found is not None and rss[0] / degrees > READING_SD_CM**2
    assert float(found.value) == pytest.approx(7 * solved[0])
    assert float(found.high - found.low) == pytest.approx(14 * students_t_975(degrees) * sd)


def test_the_interval_holds_the_truth_as_often_as_it_says() -> None:
    """Four heights in four weeks, read with an error of 1 cm; 95 % of 2000, seeded."""
    rng = np.random.default_rng(1)
    days = np.array([0.0, 9.0, 18.0, 28.0])
    held = 0
    for _ in range(2000):
        found = growth_cm_per_week([(days, 10 + 3 / 7 * days + rng.normal(0, 1.0, 4))])
        assert found is not None
        held += float(found.low) <= 3.0 <= float(found.high)
    assert 0.93 <= held / 2000 <= 0.995


def test_one_height_between_two_cuts_says_nothing() -> None:
    assert growth_cm_per_week([]) is None
    assert growth_cm_per_week([stretch((0.0, 10.0)), stretch((20.0, 9.0))]) is None
    assert growth_cm_per_week([stretch((3.0, 10.0), (3.0, 11.0))]) is None
