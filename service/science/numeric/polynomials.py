"""A smooth function of temperature as a polynomial, for speed.

Logarithms and exponentials cost twenty times a multiplication. An equilibrium constant over
0-50 °C is so smooth that the polynomial through nine Chebyshev points cannot be told from its
formula (1e-6 and better, held by a test).
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

import numpy as np

from service.science.numeric.checks import Floats

LOW_C: Final = 0.0
HIGH_C: Final = 50.0

Coefficients = tuple[float, ...]


def fitted(function: Callable[[Floats], Floats], degree: int = 8) -> Coefficients:
    """Coefficients, highest power first, of ``function`` (of °C) in ``scaled`` temperature."""
    middle, half = 0.5 * (LOW_C + HIGH_C), 0.5 * (HIGH_C - LOW_C)
    # Not by numpy.polynomial, which imports six kinds of them: 0.7 MB of each process.
    x = np.cos(np.pi * (np.arange(degree + 1) + 0.5) / (degree + 1))
    found = np.linalg.solve(np.vander(x), function(middle + half * x))
    return tuple(found.tolist())


def scaled(temperature_c: Floats) -> Floats:
    """Temperature mapped from 0-50 °C to -1..1."""
    return temperature_c * (2.0 / (HIGH_C - LOW_C)) - 1.0


def evaluate(coefficients: Coefficients, x: Floats) -> Floats:
    """The polynomial at ``x`` (from ``scaled``), by Horner's rule in place."""
    out = coefficients[0] * x
    out += coefficients[1]
    for number in coefficients[2:]:
        out *= x
        out += number
    return out
