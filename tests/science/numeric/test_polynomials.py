"""Polynomials of a function of temperature, beside numpy's Chebyshev interpolation."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.polynomial import Chebyshev, Polynomial

from service.science.numeric.polynomials import evaluate, fitted, scaled


@pytest.mark.parametrize("degree", [3, 8])
def test_it_is_that_through_chebyshev_points(degree):
    """To a part in 10^13: the equations are solved in another order."""
    celsius = np.linspace(0.0, 50.0, 101)

    def formula(t):
        return np.exp(-2835.76 / (t + 273.15) + 0.01 * t)

    series = Chebyshev.interpolate(lambda x: formula(25.0 + 25.0 * x), degree)
    expected = series.convert(kind=Polynomial)(scaled(celsius))
    found = evaluate(fitted(formula, degree), scaled(celsius))
    np.testing.assert_allclose(found, expected, rtol=1e-13)
