"""Un-ionised ammonia: the share of total ammonia that harms fish, and why warm water is worse."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import ArrayLike

from service.science.constants import CELSIUS_ZERO_K
from service.science.numeric.checks import Floats, as_floats

PKA_INTERCEPT: Final = 0.09018
PKA_PER_INVERSE_K: Final = 2729.92
"""pKa = 0.09018 + 2729.92 / T of NH4+ (Emerson et al. 1975, 0-30 °C, fresh water)."""

HARMFUL_NH3_N_MG_L: Final = 0.05
"""Un-ionised ammonia (as N) at which gills are harmed: Francis-Floyd et al., UF/IFAS FA16."""

TEMPERATURE_RANGE_C: Final = (0.0, 40.0)
"""Fitted to 30 °C; beyond that, up to 40 °C, an extrapolation of a smooth curve."""


def unionised_fraction(ph: ArrayLike, temperature_c: ArrayLike) -> Floats:
    """Share of total ammonia (NH3 + NH4+) that is NH3.

    Shapes broadcast.

    Parameters
    ----------
    ph: 2-12.
    temperature_c: 0-40; NaN passes through.

    Returns
    -------
    fraction, 0-1.

    Raises
    ------
    OutOfRangeError: names the parameter outside its range.

    References
    ----------
    Emerson, Russo, Lund & Thurston 1975, J. Fish. Res. Board Can. 32:2379-2383.
    """
    acid = as_floats("ph", ph, low=2.0, high=12.0)
    low, high = TEMPERATURE_RANGE_C
    celsius = as_floats("temperature_c", temperature_c, low=low, high=high, unit="°C")
    pka = PKA_INTERCEPT + PKA_PER_INVERSE_K / (celsius + CELSIUS_ZERO_K)
    return np.asarray(1.0 / (1.0 + 10.0 ** (pka - acid)))


def unionised_ammonia_mg_l(
    total_ammonia_mg_l: ArrayLike, ph: ArrayLike, temperature_c: ArrayLike
) -> Floats:
    """Un-ionised ammonia in the unit of the total (mg/L as N, or as NH3).

    Shapes broadcast.

    Parameters
    ----------
    total_ammonia_mg_l: >= 0; others as ``unionised_fraction``.

    Raises
    ------
    OutOfRangeError: names the parameter outside its range.
    """
    total = as_floats("total_ammonia_mg_l", total_ammonia_mg_l, low=0.0, unit="mg/L")
    return np.asarray(total * unionised_fraction(ph, temperature_c))
