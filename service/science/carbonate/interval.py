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

_MOST_LN: Final = 20.0
"""Nothing is known where CO2 may be e^20 times more or less; keeps the limits finite."""

_INNER: Final = 0.95
"""Part of a rectangular error that holds 95 % of it."""


class Errors(NamedTuple):
    """Errors of the inputs of CO2: arrays that broadcast together, >= 0.

    ``ph_variance`` scatter and calibration together; ``ph_half_width`` limits of error;
    ``alkalinity_half_width_meq_l`` limits; ``alkalinity_sd_meq_l``, ``temperature_sd_c`` scatter;
    """

    ph_variance: Floats
    ph_half_width: Floats
    alkalinity_half_width_meq_l: Floats
    alkalinity_sd_meq_l: Floats
    temperature_sd_c: Floats


class UnknownIons(NamedTuple):
    """What ln CO2 is too high by, on average, and its standard deviation about that."""

    bias: float
    sd: float


def unknown_ions(known: tuple[str, ...]) -> UnknownIons:
    """What is left of the ions' effect on CO2 by what is known of them.

    From 400 waters of random composition computed by PHREEQC (GH 4-12, KH 1-10), deviations
    rounded up; docs/science/carbonate.md.
    """
    if "ionic_strength_mol_l" in known:
        return UnknownIons(0.0, 0.0)
    gh, conductivity = "gh_meq_l" in known, "conductivity_us_cm" in known
    return _UNKNOWN_IONS[gh, conductivity]


_UNKNOWN_IONS: Final = {
    (False, False): UnknownIons(0.045, 0.03),
    (True, False): UnknownIons(0.008, 0.006),
    (False, True): UnknownIons(0.003, 0.008),
    (True, True): UnknownIons(0.0, 0.003),
}


def ln_limits(slope: Sensitivity, errors: Errors, unknown: UnknownIons) -> tuple[Floats, Floats]:
    """How far ln CO2 may lie below and above its value, two numbers; shapes broadcast.

    Errors of alkalinity count relative to the carbonate alkalinity: a test that found 0 dKH is
    not taken for certain.
    """
    scatter = (
        errors.ph_variance * np.square(slope.per_ph)
        + np.square(slope.per_kelvin * errors.temperature_sd_c)
        + unknown.sd**2
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
    bias = unknown.bias
    return _one_side(below, of_ph, scatter) + bias, _one_side(above, of_ph, scatter) - bias


def _one_side(inner_ln: Floats, of_ph: Floats | None, other: Floats) -> Floats:
    """95 % limit of ln CO2 on the side whose rectangular part reaches ``inner_ln``."""
    rectangular = np.square(inner_ln) * (1.0 / (3.0 * _INNER**2))
    variance = rectangular + other
    if of_ph is not None:
        rectangular = np.hypot(rectangular, of_ph)
    return np.minimum(coverage_factor(rectangular, variance) * np.sqrt(variance), _MOST_LN)


def _log_normal_variance(relative_variance: Floats) -> Floats:
    """Variance of the logarithm, ln(1 + r²); by its Padé approximant (1 %) up to r = 1."""
    near = relative_variance * (6.0 + relative_variance) / (6.0 + 4.0 * relative_variance)
    wide = relative_variance > 1.0
    # each for itself: an interval must not hang on what else is computed with it
    return np.where(wide, np.log1p(relative_variance), near) if wide.any() else near
