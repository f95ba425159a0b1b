"""A value with its 95 % interval."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from service.science.inputs import Floats

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

    Parameters: ``value`` in any unit; ``log_sd`` standard deviation of its natural logarithm.
    Returns: Estimate with low = value / f and high = value * f, f = exp(1.96 log_sd).
    """
    factor = np.exp(Z95 * log_sd)
    return Estimate(value=value, low=np.asarray(value / factor), high=np.asarray(value * factor))
