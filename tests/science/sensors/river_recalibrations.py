"""What 45 recalibrations of a pH sonde in a river found, 2014 to 2019.

A. S. Jones, T. L. Jones & J. S. Horsburgh, Environ. Model. Softw. (2022) 105364,
doi:10.1016/j.envsoft.2022.105364: technicians' table of calibrations at the station Main Street of
the Logan River Observatory, in the published data of the paper's software. Days between two
calibrations, and by how much pH had to be corrected at the second.
"""

from __future__ import annotations

from typing import Final

import numpy as np
import numpy.typing as npt

from service.science.sensors.ph_electrode import calibration_sd_ph

Floats = npt.NDArray[np.float64]

EARLY: Final[Floats] = np.array([
    (34.1, -0.09), (40.9, -0.05), (8.6, -0.08), (20.0, -0.10), (14.9, -0.10), (15.0, -0.10),
    (20.0, -0.15), (12.9, -0.10), (17.0, -0.10), (13.0, -0.20), (21.0, -0.70), (14.0, 0.04),
    (14.9, -0.04), (12.8, -0.07), (14.0, -0.03), (14.0, -0.09), (13.0, -0.05), (19.0, -0.07),
    (11.9, -0.13), (16.0, 0.03), (14.1, -0.11), (14.0, 0.13), (38.0, -0.05), (14.0, -0.04),
    (27.9, -0.14), (28.0, 0.03), (35.1, -0.11), (31.0, -0.07), (35.5, -0.03),
])  # fmt: skip
"""2014 to 2016: what the rate of drift was chosen by."""

LATE: Final[Floats] = np.array([
    (51.0, -0.32), (27.0, 0.14), (14.0, -0.01), (34.9, -0.04), (35.1, -0.04), (67.0, -0.07),
    (42.9, -0.08), (97.0, -0.04), (42.1, -0.05), (71.0, -0.10), (64.9, -0.21), (27.6, 0.07),
    (63.8, -0.20), (33.0, -0.19), (15.1, 0.19), (33.9, -0.20),
])  # fmt: skip
"""2017 to 2019: what it is checked by."""


def held(recalibrations: Floats, low_days: float = 0.0, high_days: float = np.inf) -> float:
    """Share of the readings of some ages whose 95 % interval of the calibration held the truth.

    Drift is taken to run straight between two calibrations, as technicians correct it.
    """
    found = [counts(days, gap, low_days, high_days) for days, gap in recalibrations]
    return sum(within for within, _ in found) / sum(total for _, total in found)


def counts(
    days: float, gap: float, low_days: float = 0.0, high_days: float = np.inf
) -> tuple[int, int]:
    """The readings of some ages between two calibrations: held, and all."""
    age = np.arange(0.125, days, 0.25)
    age = age[(age >= low_days) & (age < high_days)]
    error = gap * age / days
    return int((np.abs(error) <= 1.96 * calibration_sd_ph(age)).sum()), age.size
