"""Lines through points, and many small systems of linear equations at once."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from service.science.numeric.checks import Floats


class Line(NamedTuple):
    """A straight line, or one for each row: ``level`` at x = 0, ``slope``, and the variance of
    either for weights that are one over the variance of each value."""

    level: Floats
    slope: Floats
    level_variance: Floats
    slope_variance: Floats


def weighted_line(x: Floats, y: Floats, weight: Floats) -> Line:
    """The line of weighted least squares through points (..., n), those of weight not all at one x.

    In closed form about the weighted mean, which keeps the digits that normal equations lose.
    """
    total = weight.sum(axis=-1)
    middle = np.vecdot(weight, x) / total
    apart = x - middle[..., None]
    weighted = weight * apart
    spread = np.vecdot(weighted, apart)
    slope = np.vecdot(weighted, y) / spread
    level = np.vecdot(weight, y) / total - slope * middle
    return Line(level, slope, 1.0 / total + middle**2 / spread, 1.0 / spread)


def solve_three(matrix: Floats, right: Floats, least_third: float = -np.inf) -> Floats:
    """Solve symmetric positive definite systems of three unknowns, all in one pass.

    By L D L' (Golub & Van Loan, Matrix Computations, ch. 4; from memory). ``numpy.linalg.solve``
    calls LAPACK for each of them, which takes four times as long.

    Parameters
    ----------
    matrix: (3, 3, ...), of which the lower triangle counts.
    right: (3, ...); shapes after the first axes broadcast.
    least_third: the third unknown is at least this; where that binds, the other two are those that
        minimise x' M x / 2 - r' x with it.

    Returns
    -------
    the unknowns, (3, ...).
    """
    by_one, by_one_2 = matrix[1, 0] / matrix[0, 0], matrix[2, 0] / matrix[0, 0]
    second = matrix[1, 1] - by_one * matrix[1, 0]
    by_two = (matrix[2, 1] - by_one_2 * matrix[1, 0]) / second
    third = matrix[2, 2] - by_one_2 * matrix[2, 0] - by_two * by_two * second
    left_2 = right[1] - by_one * right[0]
    left_3 = right[2] - by_one_2 * right[0] - by_two * left_2
    z = np.maximum(left_3 / third, least_third)
    y = left_2 / second - by_two * z
    x = right[0] / matrix[0, 0] - by_one * y - by_one_2 * z
    return np.stack((x, y, z))
