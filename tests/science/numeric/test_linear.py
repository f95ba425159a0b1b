"""Small systems of equations against LAPACK's."""

import numpy as np
import pytest

from service.science.numeric.linear import solve_three


def test_solutions_are_those_of_lapack() -> None:
    rng = np.random.default_rng(3)
    columns = rng.normal(size=(40, 3, 9))
    matrix = columns @ columns.swapaxes(1, 2) + 0.1 * np.eye(3)
    matrix[::4, 2, 2] += 1e9  # an unknown that is held at 0
    right = rng.normal(size=(40, 3))
    expected = np.linalg.solve(matrix, right[..., None])[..., 0].T
    found = solve_three(np.moveaxis(matrix, 0, -1), right.T)
    assert found == pytest.approx(expected, rel=1e-9, abs=1e-15)
