"""A light sensor's own factor: its readings beside those of a PAR (quantum) meter."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import ArrayLike

from service.science.numeric.checks import OutOfRangeError, as_floats, as_number, refuse_where
from service.science.numeric.estimate import Z95, students_t_975

METER_RELATIVE_SD: Final = 0.025
"""Standard deviation of a PAR meter's own calibration: makers state ±5 % (from memory)."""

PAIR_RELATIVE_SD: Final = 0.05
"""Scatter assumed for a single pair of readings, which shows none itself. Our choice."""


@dataclass(frozen=True)
class LightCalibration:
    """µmol/m²/s per unit of the sensor (lx, if it reads lux), with its 95 % interval.

    `scatter` is the relative standard deviation of the pairs about the factor; NaN for one.
    """

    umol_per_lux: float
    low: float
    high: float
    pairs: int
    scatter: float


def calibrate_lux(
    lux: ArrayLike,
    ppfd_umol_m2_s: ArrayLike,
    *,
    meter_relative_sd: float = METER_RELATIVE_SD,
) -> LightCalibration:
    """Find the factor from lux to PPFD from pairs read side by side under the same lamp.

    The factor is the geometric mean of the ratios: errors of both instruments grow with the
    reading. Take pairs at several brightnesses; a scatter above 0.1 says that the lamp's colour
    changes as it dims, or that the two were not held in the same place.

    Parameters
    ----------
    lux: readings of the sensor (n,), above 0.  ppfd_umol_m2_s: the meter's (n,), above 0.
        Pairs with a NaN are left out.
    meter_relative_sd: relative standard deviation of the meter itself, common to all pairs.

    Raises
    ------
    OutOfRangeError: unequal lengths, a reading that is not positive, no pair.
    """
    readings = as_floats("lux", lux, above=0, unit="lx")
    ppfd = as_floats("ppfd_umol_m2_s", ppfd_umol_m2_s, above=0, unit="µmol/m²/s")
    common = as_number("meter_relative_sd", meter_relative_sd, low=0, high=1)
    if readings.shape != ppfd.shape:
        raise OutOfRangeError("ppfd_umol_m2_s", ppfd.tolist(), f"as many as lux, {readings.size}")
    ratio = np.log(ppfd / readings).ravel()
    ratio = ratio[~np.isnan(ratio)]
    n = ratio.size
    refuse_where(n < 1, "number of pairs", n, "1 and more")
    middle = float(ratio.mean())
    if n == 1:
        scatter, half = np.nan, Z95 * PAIR_RELATIVE_SD
    else:
        scatter = float(ratio.std(ddof=1))
        half = students_t_975(n - 1) * scatter / n**0.5
    half = float(np.hypot(half, Z95 * common))
    return LightCalibration(
        umol_per_lux=float(np.exp(middle)),
        low=float(np.exp(middle - half)),
        high=float(np.exp(middle + half)),
        pairs=n,
        scatter=scatter,
    )
