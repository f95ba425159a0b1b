"""Growth in height from a few measured heights, with cuts between them."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np
import numpy.typing as npt

from service.science.numeric.estimate import Z95, Estimate, students_t_975

READING_SD_CM: Final = 1.0
"""Standard deviation of a height read off a ruler at the glass. Our choice."""

_DAYS_PER_WEEK: Final = 7.0

Floats = npt.NDArray[np.float64]


def growth_cm_per_week(stretches: Sequence[tuple[Floats, Floats]]) -> Estimate | None:
    """Common slope of several stretches between cuts, each with a height of its own at its start.

    Parameters
    ----------
    stretches: days and heights (cm) of each stretch, from one cut to the next.

    Returns
    -------
    Growth with its 95 % interval, cm per week; None where no stretch has two days.

    Notes
    -----
    Ordinary least squares with one slope and an intercept for each stretch (analysis of
    covariance; Draper & Smith 1998, Applied Regression Analysis, from memory). The scatter about
    the lines widens the interval by Student's t where it is larger than ``READING_SD_CM``, and
    never narrows it below: two heights alone have no scatter.
    """
    sxx = sxy = 0.0
    residuals: list[Floats] = []
    centred = []
    for days, heights in stretches:
        t, h = days - days.mean(), heights - heights.mean()
        centred.append((t, h))
        sxx += float(t @ t)
        sxy += float(t @ h)
    if sxx <= 0:
        return None
    slope = sxy / sxx
    residuals = [h - slope * t for t, h in centred]
    degrees = sum(len(one) - 1 for one in residuals) - 1
    scatter = sum(float(one @ one) for one in residuals)
    sd, factor = READING_SD_CM, Z95
    if degrees > 0 and scatter / degrees > READING_SD_CM**2:
        sd, factor = (scatter / degrees) ** 0.5, students_t_975(degrees)
    half = factor * sd / sxx**0.5
    week = _DAYS_PER_WEEK
    return Estimate(*(np.asarray(week * one) for one in (slope, slope - half, slope + half)))
