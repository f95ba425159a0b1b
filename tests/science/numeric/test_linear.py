"""Small systems of equations against LAPACK's."""

import numpy as np
import pytest

from service.science.numeric.linear import solve_three, weighted_line


def test_solutions_are_those_of_lapack() -> None:
    rng = np.random.default_rng(3)
    columns = rng.normal(size=(40, 3, 9))
    matrix = columns @ columns.swapaxes(1, 2) + 0.1 * np.eye(3)
    matrix[::4, 2, 2] += 1e9  # an unknown that is held at 0
    right = rng.normal(size=(40, 3))
    expected = np.linalg.solve(matrix, right[..., None])[..., 0].T
    found = solve_three(np.moveaxis(matrix, 0, -1), right.T)
    assert found == pytest.approx(expected, rel=1e-9, abs=1e-15)


def test_a_third_unknown_that_may_not_be_less() -> None:
    """Where it would be, the other two are LAPACK's solution of what is left of the equations."""
    rng = np.random.default_rng(5)
    columns = rng.normal(size=(40, 3, 9))
    matrix = columns @ columns.swapaxes(1, 2) + 0.1 * np.eye(3)
    right = rng.normal(size=(40, 3))
    free = np.linalg.solve(matrix, right[..., None])[..., 0]
    held = right - 0.1 * matrix[:, 2]
    pair = np.linalg.solve(matrix[:, :2, :2], held[:, :2, None])[..., 0]
    at_limit = np.concatenate((pair, np.full((40, 1), 0.1)), axis=1)
    bound = free[:, 2] < 0.1
    assert 5 < bound.sum() < 35
    expected = np.where(bound[:, None], at_limit, free).T
    found = solve_three(np.moveaxis(matrix, 0, -1), right.T, least_third=0.1)
    assert found == pytest.approx(expected, rel=1e-9, abs=1e-15)


def test_a_line_is_that_of_least_squares() -> None:
    rng = np.random.default_rng(4)
    x, weight = rng.uniform(900.0, 901.0, 30), rng.uniform(0.1, 9.0, 30)
    y = 3.0 - 0.5 * x + rng.normal(size=30)
    found = weighted_line(x, y, weight)
    rows = np.stack((np.ones(30), x), axis=1) * np.sqrt(weight)[:, None]
    (level, slope), *_ = np.linalg.lstsq(rows, y * np.sqrt(weight), rcond=None)
    assert (found.level, found.slope) == pytest.approx((level, slope), rel=1e-6)
    of_columns = np.linalg.inv(rows.T @ rows)
    assert found.level_variance == pytest.approx(of_columns[0, 0], rel=1e-6)
    assert found.slope_variance == pytest.approx(of_columns[1, 1], rel=1e-6)


def test_lines_of_many_rows_are_those_of_each() -> None:
    rng = np.random.default_rng(6)
    x, y, weight = rng.normal(size=(3, 5, 20))
    found = weighted_line(x, y, np.abs(weight))
    each = [weighted_line(*row) for row in zip(x, y, np.abs(weight), strict=True)]
    np.testing.assert_allclose(np.array(found), np.array(each).T, rtol=1e-12)
