"""Before and after a change: against a published example, and how often the interval is right."""

from __future__ import annotations

import numpy as np
import pytest

from service.science.numeric.before_after import LEAST_DAYS, before_after
from service.science.numeric.checks import OutOfRangeError
from service.science.numeric.estimate import students_t_cdf

ONE = np.array([0.0])


def test_the_distribution_is_that_of_the_tables() -> None:
    # Abramowitz & Stegun 1964, table 26.10: 0.975 and 0.95 quantiles of Student's t
    for degrees, quantile, probability in (
        (1, 12.706, 0.975),
        (2, 4.303, 0.975),
        (9, 2.262, 0.975),
        (10, 2.228, 0.975),
        (30, 1.697, 0.95),
    ):
        found = float(students_t_cdf(np.array(quantile), degrees))
        assert found == pytest.approx(probability, abs=5e-5)
        assert float(students_t_cdf(np.array(-quantile), degrees)) == pytest.approx(1 - found)
    with pytest.raises(OutOfRangeError):
        students_t_cdf(np.array(0.0), 0)


def test_days_that_know_nothing_of_each_other_give_students_own_interval() -> None:
    # Student 1908, Biometrika 6:1-25: extra sleep by two drugs; pooled t interval of 18 degrees
    # of freedom as in textbooks: 1.58, from -0.204 to 3.364
    first = [0.7, -1.6, -0.2, -1.2, -0.1, 3.4, 3.7, 0.8, 0.0, 2.0]
    second = [1.9, 0.8, 1.1, 0.1, -0.1, 4.4, 5.5, 1.6, 4.6, 3.4]
    found = before_after(np.arange(20), [*first, *second], 10, likeness=ONE, pattern=ONE)
    assert found is not None
    assert found.step == pytest.approx(1.58, abs=1e-6)
    assert (found.low, found.high) == pytest.approx((-0.2039, 3.3639), abs=1e-3)
    assert (found.days_before, found.days_after) == (10, 10)


def test_too_few_days_of_a_side_give_nothing() -> None:
    values = np.array([1.0, 2.0, 1.5, np.nan, 2.0, 1.0, 3.0, 2.5, 3.0, np.nan, 2.0])
    assert before_after(np.arange(11), values, 6) is None
    values[9] = 2.0
    found = before_after(np.arange(11), values, 6)
    assert found is not None
    assert (found.days_before, found.days_after) == (5, LEAST_DAYS)


def test_a_weekday_pattern_is_no_difference() -> None:
    """Before: three whole weeks; after: only days on which the pattern is low."""
    days = np.array([*range(21), 22, 23, 24, 29, 30, 31, 36, 37, 38])
    weekly = np.where(np.isin(days % 7, (5, 6, 0)), 4.0, 0.0)
    values = weekly + np.random.default_rng(3).normal(0, 0.3, days.size)
    found = before_after(days, values, 21)
    assert found is not None
    assert found.after - found.before < -1.5
    assert found.low <= 0.0 <= found.high
    assert found.half_width < 1.0


def test_values_that_never_move_have_a_difference_without_width() -> None:
    found = before_after(np.arange(12), [1.0] * 6 + [3.0] * 6, 6)
    assert found is not None
    assert (found.low, found.step, found.high) == (2.0, 2.0, 2.0)


def test_days_have_to_ascend() -> None:
    with pytest.raises(OutOfRangeError):
        before_after([0, 2, 1], [1.0, 2.0, 3.0], 2)
    with pytest.raises(OutOfRangeError):
        before_after([0, 1, 2], [1.0, 2.0], 2)


@pytest.mark.parametrize(("r", "least"), [(0.2, 0.93), (0.5, 0.91)])
def test_the_interval_holds_the_truth_about_as_often_as_it_says(r: float, least: float) -> None:
    generator, held = np.random.default_rng(11), 0
    count = 60
    for _ in range(count):
        value = [generator.normal()]
        for _ in range(27):
            value.append(r * value[-1] + (1 - r * r) ** 0.5 * generator.normal())
        values = np.array(value)
        values[generator.random(28) < 0.1] = np.nan
        found = before_after(np.arange(28), values, 14)
        assert found is not None
        held += found.low <= 0.0 <= found.high
    assert least <= held / count <= 0.995
