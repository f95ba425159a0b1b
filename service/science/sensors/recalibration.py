"""How fast a pH electrode drifts, learnt from what its own recalibrations found.

At each recalibration the electrode reads the buffers off by a gap: its drift since the calibration
before, and the errors of both calibrations. With drift as a random walk of rate r (pH in 30 days,
one standard deviation) the gap after t days has the variance 2 fresh² + r² t / 30 d.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import ArrayLike

from service.science.numeric.checks import as_floats, as_number
from service.science.sensors.ph_electrode import DRIFT_DAYS, DRIFT_PH_PER_30_DAYS, FRESH_SD_PH

PRIOR_GAPS: Final = 6.0
"""What is known of electrodes in general weighs as much as so many recalibrations. Our choice."""
MOST_DEVIATIONS: Final = 3.0
"""A gap counts up to so many standard deviations: a bumped probe or a mistaken buffer is no drift.
Our choice."""


def drift_from_gaps(
    days: ArrayLike,
    gap_ph: ArrayLike,
    *,
    prior_ph_per_30_days: float = DRIFT_PH_PER_30_DAYS,
    fresh_sd_ph: float = FRESH_SD_PH,
) -> float:
    """Standard deviation of the drift in 30 days, pH, of an electrode with these recalibrations.

    The mean of the scaled inverse chi-squared posterior's variance parameter: the prior's square
    with the weight of ``PRIOR_GAPS``, and each gap's (A. Gelman et al., Bayesian Data Analysis,
    3rd ed., section 2.6; from memory).

    Parameters
    ----------
    days: between two calibrations, (n,), above 0.
    gap_ph: how far the electrode was off at the second one, (n,).

    Returns
    -------
    ``prior_ph_per_30_days`` without recalibrations.

    Raises
    ------
    OutOfRangeError: naming a bad parameter.
    """
    age = np.atleast_1d(as_floats("days", days, above=0.0, unit="d"))
    gap = np.atleast_1d(as_floats("gap_ph", gap_ph, low=-14.0, high=14.0))
    prior = as_number("prior_ph_per_30_days", prior_ph_per_30_days, low=0.0)
    both = 2.0 * as_number("fresh_sd_ph", fresh_sd_ph, low=0.0) ** 2
    most = MOST_DEVIATIONS**2 * (both + prior**2 * age / DRIFT_DAYS)
    walked = float(((np.minimum(np.square(gap), most) - both) * DRIFT_DAYS / age).sum())
    found = PRIOR_GAPS * prior**2 + max(walked, 0.0)
    return float(np.sqrt(found / (PRIOR_GAPS + age.size)))
