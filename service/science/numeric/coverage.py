"""95 % intervals of sums of rectangular and normal errors.

An error known by its limits alone is rectangular (JCGM 100:2008, 4.3.7). 95 % of it lie within
0.95 of its half-width: 1.645 standard deviations, not 1.96. Between the two the factor depends on
how much of the variance is rectangular.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from service.science.numeric.checks import Floats
from service.science.numeric.estimate import Z95

RECTANGULAR_SD: Final = 3.0**-0.5
"""Standard deviation of a rectangular distribution of half-width 1 (JCGM 100:2008, 4.3.7)."""

_TINY: Final = 1e-300

_TERMS: Final = (-0.14265281, -0.08986064, -0.08286492)
"""Least squares, powers 1 to 3 of the squared rectangular share of the variance, through the
exact quantiles of rectangular plus normal error; within 0.005 (a test holds it)."""


def coverage_factor(rectangular_variance: Floats, variance: Floats) -> Floats:
    """Half-width of the central 95 %, in standard deviations of the sum.

    Shapes broadcast.

    Parameters
    ----------
    rectangular_variance: part of the variance by one rectangular error; of several, the root of
        the sum of the squares of theirs, which keeps the kurtosis of the sum.
    variance: of the sum, above 0 (where it is 0, the factor is that of a normal error).
    """
    x = np.square(rectangular_variance / np.maximum(variance, _TINY))
    factor = _TERMS[2] * x
    for term in (_TERMS[1], _TERMS[0]):
        factor += term
        factor *= x
    factor += Z95
    return np.asarray(factor)
