"""A second estimate of CO2, without a KH test: the pH drop from water of known CO2.

A sample aerated overnight, or the tank itself after a long night without gas, holds a CO2 that
is known (that of air) at the same alkalinity. The pH difference gives the ratio of CO2:

    CO2 = CO2_reference 10^(pH_reference - pH)      (common practice, no source)

Here it is done with the full balance: the reference sample gives the carbonate alkalinity,
whatever a KH test says, and that with the tank's pH gives CO2. An offset of the electrode
cancels; its slope error, the room's CO2 and incomplete aeration do not. A water change since the
sample replaces a known part of its alkalinity; as far as it does, the offset no longer cancels.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import ArrayLike

from service.science.carbonate.co2 import DEFAULT_PH_SD, co2_mg_l
from service.science.carbonate.inputs import (
    MAX_ALKALINITY_MEQ_L,
    checked_co2,
    checked_ph,
    checked_temperature,
    plain,
)
from service.science.carbonate.inverse import alkalinity_for_co2
from service.science.constants import LN10
from service.science.gas_exchange.air_water import CO2_PPM_ROOM, co2_air_equilibrium_mg_l
from service.science.numeric.checks import Floats, as_floats
from service.science.numeric.estimate import Estimate, from_log_sd

DEFAULT_REFERENCE_LOG_SD: Final = 0.20
"""Relative standard deviation of the reference CO2: rooms hold 450-900 ppm, and the last 10 %
of aeration is slow. Our choice."""
DEFAULT_SLOPE_SD: Final = 0.015
"""Relative standard deviation of an electrode's slope after a two-point calibration. Our choice."""


def alkalinity_from_reference_meq_l(
    reference_ph: ArrayLike, reference_co2_mg_l: ArrayLike, reference_temperature_c: ArrayLike
) -> Floats:
    """Carbonate alkalinity, meq/L, of a sample whose CO2 is known (shapes broadcast)."""
    found = alkalinity_for_co2(reference_co2_mg_l, reference_ph, reference_temperature_c)
    return plain(np.clip(found, 0.0, MAX_ALKALINITY_MEQ_L))


def estimate_co2_from_ph_drop(
    ph: ArrayLike,
    temperature_c: ArrayLike,
    reference_ph: ArrayLike,
    *,
    reference_temperature_c: ArrayLike | None = None,
    reference_co2_mg_l: ArrayLike | None = None,
    ph_sd: ArrayLike = DEFAULT_PH_SD,
    slope_sd: ArrayLike = DEFAULT_SLOPE_SD,
    reference_log_sd: ArrayLike = DEFAULT_REFERENCE_LOG_SD,
    pressure_atm: ArrayLike = 1.0,
) -> Estimate:
    """CO2 with a 95 % interval from the pH drop against a reference sample.

    Shapes broadcast.

    Parameters
    ----------
    ph, temperature_c: of the tank now.
    reference_ph: of the aerated sample or of the end of the night, by the same electrode.
    reference_temperature_c: by default the tank's.
    reference_co2_mg_l: by default that of water in equilibrium with room air (``CO2_PPM_ROOM``).
    ph_sd: scatter of either reading.
    slope_sd: relative, of the electrode.
    reference_log_sd: of the logarithm of the reference CO2.
    pressure_atm: of the air, 0.3-1.2: less CO2 dissolves at an altitude.

    Returns
    -------
    Estimate, mg/L.

    Raises
    ------
    OutOfRangeError: names the parameter.
    """
    ph_in, reference = checked_ph(ph), checked_ph(reference_ph, "reference_ph")
    celsius = checked_temperature(temperature_c)
    reference_celsius = (
        celsius
        if reference_temperature_c is None
        else checked_temperature(reference_temperature_c, "reference_temperature_c")
    )
    known = (
        co2_air_equilibrium_mg_l(
            np.clip(reference_celsius, 0.0, 40.0), co2_ppm=CO2_PPM_ROOM, pressure_atm=pressure_atm
        )
        if reference_co2_mg_l is None
        else checked_co2(reference_co2_mg_l, "reference_co2_mg_l")
    )
    alkalinity = alkalinity_from_reference_meq_l(reference, known, reference_celsius)
    value = co2_mg_l(ph_in, alkalinity, celsius)
    reading = as_floats("ph_sd", ph_sd, low=0.0)
    slope = as_floats("slope_sd", slope_sd, low=0.0)
    of_reference = as_floats("reference_log_sd", reference_log_sd, low=0.0)
    variance = (
        2.0 * np.square(LN10 * reading)
        + np.square(LN10 * (reference - ph_in) * slope)
        + np.square(of_reference)
    )
    found = from_log_sd(value, np.sqrt(variance))
    return Estimate(value=plain(found.value), low=plain(found.low), high=plain(found.high))


def disagreement_reason(disagreement: int, log_ratio: float) -> str | None:
    """What a disagreement usually means, in a sentence; None where the estimates agree."""
    if disagreement == 0:
        return None
    factor = float(np.exp(abs(log_ratio)))
    if disagreement > 0:
        return (
            f"CO2 by KH is {factor:.1f} times the CO2 by the pH drop. KH has fallen since its "
            "test, or part of it is not carbonate (phosphate, humic acids, a pH buffer). Test KH "
            "again"
        )
    return (
        f"CO2 by the pH drop is {factor:.1f} times the CO2 by KH. KH has risen since its test, or "
        "the aerated sample held less CO2 than assumed. Test KH again and repeat the aerated sample"
    )
