"""Whether a sensor has settled, such as a pH electrode in a buffer.

A sensor that was moved to another liquid comes near its end value ever more slowly. It counts as
settled when a straight line through its last minute hardly rises and its readings lie close to that
line. Field manuals ask for a few readings in a row within 0.05 to 0.1 pH (U.S. Geological Survey,
National Field Manual, chapter A6, stabilization criteria; from memory), which is for waters; in a
buffer, of which the calibration is made, practice is stricter.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import ArrayLike

from service.science.numeric.checks import OutOfRangeError, as_floats, as_number
from service.science.numeric.ranks import median

WINDOW_S: Final = 60.0
"""The last readings of so many seconds are judged. Common practice, no source."""
LEAST_READINGS: Final = 3
"""So many readings at least, however far apart. Our choice."""
STEADY_PH_PER_MIN: Final = 0.02
"""A pH electrode in a buffer that moves by no more has settled. Common practice, no source."""
STEADY_SPREAD_PH: Final = 0.02
"""Its readings scatter by no more: standard deviation. Common practice, no source."""


@dataclass(frozen=True)
class Steadiness:
    """Whether a sensor has settled.

    ``steady``; ``value`` the median of the readings judged, ``per_min`` how fast they move and
    ``spread`` their standard deviation about the line, in the unit of the readings; NaN where there
    are too few. ``readings`` how many were judged, ``over_s`` the seconds between first and last.
    """

    steady: bool
    value: float
    per_min: float
    spread: float
    readings: int
    over_s: float


def steadiness(
    time_s: ArrayLike,
    value: ArrayLike,
    *,
    most_per_min: float = STEADY_PH_PER_MIN,
    most_spread: float = STEADY_SPREAD_PH,
    window_s: float = WINDOW_S,
) -> Steadiness:
    """Judge the last readings of a sensor.

    Parameters
    ----------
    time_s: of the readings, ascending, (n,).
    value: of the readings, in any unit, (n,).
    most_per_min, most_spread: limits in that unit, above 0.
    window_s: readings of so many seconds before the last count, and at least ``LEAST_READINGS``.

    Returns
    -------
    Not steady while there are too few readings, or the last ones cover less than ``window_s``.

    Raises
    ------
    OutOfRangeError: naming a bad parameter.
    """
    times = np.atleast_1d(as_floats("time_s", time_s))
    values = np.atleast_1d(as_floats("value", value))
    if times.shape != values.shape:
        raise OutOfRangeError("value", values.size, f"as many as there are times, {times.size}")
    if np.any(np.diff(times) < 0):
        raise OutOfRangeError("time_s", "times that fall", "ascending times")
    most_rate = as_number("most_per_min", most_per_min, above=0.0)
    most_sd = as_number("most_spread", most_spread, above=0.0)
    window = as_number("window_s", window_s, above=0.0, unit="s")
    if times.size == 0:
        return Steadiness(False, np.nan, np.nan, np.nan, 0, 0.0)
    first = min(
        int(np.searchsorted(times, times[-1] - window)), max(times.size - LEAST_READINGS, 0)
    )
    # One more than the window, so that readings a minute apart are enough to fill it.
    first = max(first - 1, 0) if times[-1] - times[first] < window else first
    judged_s, judged = times[first:], values[first:]
    middle, over_s = median(judged), float(judged_s[-1] - judged_s[0])
    if judged.size < LEAST_READINGS or over_s <= 0.0:
        return Steadiness(False, middle, np.nan, np.nan, judged.size, over_s)
    minutes = (judged_s - judged_s[0]) / 60.0
    rate, start = np.polyfit(minutes, judged, 1)
    spread = float(np.std(judged - (start + rate * minutes)))
    settled = abs(rate) <= most_rate and spread <= most_sd and over_s >= window
    return Steadiness(bool(settled), middle, float(rate), spread, judged.size, over_s)
