"""A value with its 95 % interval."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from service.science.numeric.checks import Floats, OutOfRangeError

Z95 = 1.959963984540054
"""Half-width of the central 95 % of a normal distribution, in standard deviations."""


@dataclass(frozen=True)
class Estimate:
    """Value and 95 % interval, arrays of one shape and one unit (CO2: mg/L)."""

    value: Floats
    low: Floats
    high: Floats


def from_log_sd(value: Floats, log_sd: Floats) -> Estimate:
    """Interval of a positive quantity whose error is multiplicative (log-normal).

    Parameters
    ----------
    value: in any unit.
    log_sd: standard deviation of its natural logarithm.

    Returns
    -------
    Estimate with low = value / f and high = value * f, f = exp(1.96 log_sd).
    """
    factor = np.exp(Z95 * log_sd)
    return Estimate(value=value, low=np.asarray(value / factor), high=np.asarray(value * factor))


def students_t_975(degrees_of_freedom: int) -> float:
    """0.975 quantile of Student's t, the factor of a 95 % interval from few samples.
    Exact for 1 and 2 degrees of freedom, else the expansion of Abramowitz & Stegun 1964,
    26.7.5, about the normal quantile: 0.12 % low at 3, below 0.03 % from 5 on.

    Raises
    ------
    OutOfRangeError: fewer than 1.
    """
    n = degrees_of_freedom
    if n < 1:
        raise OutOfRangeError("degrees_of_freedom", n, "a whole number from 1")
    if n == 1:
        return 12.706204736174707
    if n == 2:
        return 4.302652729749464
    x = Z95
    terms = (
        (x**3 + x) / 4,
        (5 * x**5 + 16 * x**3 + 3 * x) / 96,
        (3 * x**7 + 19 * x**5 + 17 * x**3 - 15 * x) / 384,
        (79 * x**9 + 776 * x**7 + 1482 * x**5 - 1920 * x**3 - 945 * x) / 92160,
    )
    return x + float(sum(term / n**power for power, term in enumerate(terms, start=1)))


def students_t_cdf(t: Floats, degrees_of_freedom: int) -> Floats:
    """Probability that Student's t lies below ``t``: the finite sums of Abramowitz & Stegun 1964,
    26.7.3 (odd) and 26.7.4 (even degrees of freedom), exact.

    Raises
    ------
    OutOfRangeError: fewer than 1 degree of freedom.
    """
    n = degrees_of_freedom
    if n < 1:
        raise OutOfRangeError("degrees_of_freedom", n, "a whole number from 1")
    angle = np.arctan(np.asarray(t, np.float64) / n**0.5)
    sine, cosine = np.sin(angle), np.cos(angle)
    odd = n % 2
    term, total = (cosine if odd else np.ones_like(cosine)), np.zeros_like(cosine)
    for k in range(1 + odd, n, 2):
        total = total + term
        term = term * cosine**2 * k / (k + 1)
    inside = (2 / np.pi) * (angle + sine * total) if odd else sine * total
    return np.asarray(0.5 + 0.5 * inside)
