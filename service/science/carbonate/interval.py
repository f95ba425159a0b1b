"""95 % limits of ln CO2 from the errors of pH, alkalinity and temperature.

Scatter is propagated to first order in ln CO2. The limits of a counted alkalinity are wide beside
the value (half of it at KH 1): they are taken exactly, with a logarithm for either side.
"""

from __future__ import annotations

from typing import Final, NamedTuple

import numpy as np

from service.science.carbonate.balance import Sensitivity
from service.science.numeric.checks import Floats
from service.science.numeric.coverage import coverage_factor

_INNER: Final = 0.95
"""Part of a rectangular error that holds 95 % of it."""


class Errors(NamedTuple):
    """Errors of the inputs of CO2: arrays that broadcast together, >= 0.

    ``ph_variance`` scatter and calibration together; ``ph_half_width`` limits of error;
    ``alkalinity_half_width_meq_l`` limits; ``alkalinity_sd_meq_l``, ``temperature_sd_c`` scatter;
    ``model_variance`` of ln CO2, from what is not known of the water.
    """

    ph_variance: Floats
    ph_half_width: Floats
    alkalinity_half_width_meq_l: Floats
    alkalinity_sd_meq_l: Floats
    temperature_sd_c: Floats
    model_variance: Floats


def ln_limits(slope: Sensitivity, errors: Errors) -> tuple[Floats, Floats]:
    """How far ln CO2 may lie below and above its value, two positive numbers; shapes broadcast.

    Errors of alkalinity count relative to the carbonate alkalinity: a test that found 0 dKH is
    not taken for certain.
    """
    scatter = (
        errors.ph_variance * np.square(slope.per_ph)
        + np.square(slope.per_kelvin * errors.temperature_sd_c)
        + errors.model_variance
    )
    if errors.alkalinity_sd_meq_l.any():
        relative = np.square(errors.alkalinity_sd_meq_l * slope.per_alkalinity * 1e-3)
        scatter = scatter + _log_normal_variance(relative)
    of_ph = None
    if errors.ph_half_width.any():
        of_ph = np.square(slope.per_ph * errors.ph_half_width) * (1.0 / 3.0)
        scatter = scatter + of_ph
    inner = (errors.alkalinity_half_width_meq_l * (1e-3 * _INNER)) * slope.per_alkalinity
    # alkalinity is not negative: there is nothing below a half-width as large as the value
    below = np.log(1.0 - np.minimum(inner, _INNER))
    above = np.log(1.0 + inner)
    return _one_side(below, of_ph, scatter), _one_side(above, of_ph, scatter)


def _one_side(inner_ln: Floats, of_ph: Floats | None, other: Floats) -> Floats:
    """95 % limit of ln CO2 on the side whose rectangular part reaches ``inner_ln``."""
    rectangular = np.square(inner_ln) * (1.0 / (3.0 * _INNER**2))
    variance = rectangular + other
    if of_ph is not None:
        rectangular = np.hypot(rectangular, of_ph)
    return coverage_factor(rectangular, variance) * np.sqrt(variance)


def _log_normal_variance(relative_variance: Floats) -> Floats:
    """Variance of the logarithm, ln(1 + r²); by its Padé approximant (1 %) up to r = 1."""
    if np.any(relative_variance > 1.0):
        return np.log1p(relative_variance)
    return relative_variance * (6.0 + relative_variance) / (6.0 + 4.0 * relative_variance)
