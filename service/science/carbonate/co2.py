"""Dissolved CO2 from pH, alkalinity and temperature, with its uncertainty.

Valid for fresh water at 0-50 °C, pH 2-12, ionic strength below 0.1 mol/L. All functions are
vectorised and broadcast; NaN in (a missing reading) gives NaN out.

The pH is the one a calibrated glass electrode shows: minus the logarithm of hydrogen-ion
activity. The alkalinity counts as carbonate unless it is corrected first, see
``alkalinity.py``. Equations and sources: ``balance.py``, ``equilibrium.py``, ``activity.py``,
``ions.py`` beside it and docs/science/carbonate.md.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import ArrayLike

from service.science.carbonate.balance import sensitivity
from service.science.carbonate.inputs import (
    CO2_MG_PER_MOL,
    PH_RANGE,
    checked_alkalinity,
    checked_ph,
    checked_temperature,
    evidence,
    plain,
)
from service.science.carbonate.interval import Errors, ln_limits, unknown_ions
from service.science.carbonate.inverse import (
    alkalinity_after_bicarbonate,
    alkalinity_for_co2,
    bicarbonate_g_for_alkalinity,
    ph_for_co2,
)
from service.science.carbonate.ions import ionic_strength_mol_l
from service.science.numeric.blocks import in_blocks
from service.science.numeric.checks import Floats, as_floats
from service.science.numeric.estimate import Estimate
from service.science.sensors.ph_electrode import FRESH_SD_PH
from service.science.water.hardness import MEQ_L_PER_DEGREE

__all__ = [
    "PH_RANGE",
    "RULE_OF_THUMB",
    "Estimate",
    "alkalinity_after_bicarbonate",
    "alkalinity_for_co2",
    "bicarbonate_g_for_alkalinity",
    "co2_mg_l",
    "co2_rule_of_thumb_mg_l",
    "estimate_co2",
    "ionic_strength_mol_l",
    "ph_for_co2",
]

DEFAULT_PH_SD: Final = 0.02
"""Scatter of a reading. Common practice, no source."""
DEFAULT_CALIBRATION_SD_PH: Final = FRESH_SD_PH
DEFAULT_ALKALINITY_HALF_WIDTH_MEQ_L: Final = 0.5 * MEQ_L_PER_DEGREE
"""A drop test that counts whole dKH, about its middle (``kh_test.alkalinity_of_test``)."""
DEFAULT_TEMPERATURE_SD_C: Final = 0.3
"""A plain probe with no calibration of its own. Common practice, no source."""


def co2_mg_l(
    ph: ArrayLike,
    alkalinity_meq_l: ArrayLike,
    temperature_c: ArrayLike,
    *,
    ionic_strength_mol_l: ArrayLike | None = None,
    gh_meq_l: ArrayLike | None = None,
    conductivity_us_cm: ArrayLike | None = None,
    nitrate_mg_l: ArrayLike | None = None,
    potassium_mg_l: ArrayLike | None = None,
    activity: str = "debye-hueckel",
) -> Floats:
    """CO2 (with the trace of H2CO3) from pH, alkalinity and temperature.

    Shapes broadcast.

    Parameters
    ----------
    ph: 2-12, activity scale.
    alkalinity_meq_l: 0-50.
    temperature_c: 0-50.
    ionic_strength_mol_l: 0-0.1, by default from ``gh_meq_l`` (calcium and magnesium) and
        ``conductivity_us_cm`` (at 25 °C) as far as given, else that of KHCO3 water of this
        alkalinity.
        GH or conductivity also account for carbonate bound to calcium and magnesium.
    nitrate_mg_l, potassium_mg_l: as NO3 and K, where known.
    activity: "debye-hueckel" (extended), "davies", "none".

    Returns
    -------
    mg/L, broadcast shape; NaN where an input is NaN or where the alkalinity is less than the
    hydroxide at that pH alone.

    Raises
    ------
    OutOfRangeError: names the parameter outside its range.

    References
    ----------
    Plummer & Busenberg 1982; Truesdell & Jones 1974; see the module's parts.
    """
    known = evidence(
        ionic_strength_mol_l, gh_meq_l, conductivity_us_cm, activity, nitrate_mg_l, potassium_mg_l
    )

    def kernel(ph: Floats, meq_l: Floats, celsius: Floats, *parts: Floats) -> tuple[Floats, ...]:
        return (known.solve(ph, meq_l, celsius, parts).co2 * CO2_MG_PER_MOL,)

    (co2,) = in_blocks(
        kernel,
        checked_ph(ph),
        checked_alkalinity(alkalinity_meq_l),
        checked_temperature(temperature_c),
        *known.arrays,
    )
    return plain(co2)


def estimate_co2(
    ph: ArrayLike,
    alkalinity_meq_l: ArrayLike,
    temperature_c: ArrayLike,
    *,
    ph_sd: ArrayLike = DEFAULT_PH_SD,
    ph_half_width: ArrayLike = 0.0,
    alkalinity_half_width_meq_l: ArrayLike = DEFAULT_ALKALINITY_HALF_WIDTH_MEQ_L,
    alkalinity_sd_meq_l: ArrayLike = 0.0,
    temperature_sd_c: ArrayLike = DEFAULT_TEMPERATURE_SD_C,
    calibration_sd_ph: ArrayLike = DEFAULT_CALIBRATION_SD_PH,
    gh_meq_l: ArrayLike | None = None,
    conductivity_us_cm: ArrayLike | None = None,
    nitrate_mg_l: ArrayLike | None = None,
    potassium_mg_l: ArrayLike | None = None,
) -> Estimate:
    """CO2 with a 95 % interval, errors propagated in log space.

    Errors are taken as independent: scatter of pH, temperature and alkalinity as normal (of
    alkalinity as log-normal, since it cannot be negative), those known by their limits as
    rectangular; first-order propagation of ln CO2, the limits of the alkalinity exactly. Ions that
    are not known make CO2 read high: the interval reaches further down for it.

    Shapes broadcast.

    Parameters
    ----------
    ph, alkalinity_meq_l, temperature_c and the others: as in ``co2_mg_l``.
    ph_sd: scatter of the reading, >= 0.
    calibration_sd_ph: standard deviation of the electrode's calibration, >= 0.
    ph_half_width: limits of error of the probe, such as its maker states, >= 0.
    alkalinity_half_width_meq_l: limits about the alkalinity, as of one drop of a test, >= 0.
    alkalinity_sd_meq_l, temperature_sd_c: scatter of those inputs, >= 0.

    Returns
    -------
    Estimate, mg/L.

    Raises
    ------
    OutOfRangeError: as ``co2_mg_l``.
    """
    known = evidence(
        None, gh_meq_l, conductivity_us_cm, "debye-hueckel", nitrate_mg_l, potassium_mg_l
    )
    unknown = unknown_ions(known.known)

    def kernel(ph: Floats, meq_l: Floats, celsius: Floats, *rest: Floats) -> tuple[Floats, ...]:
        errors, parts = Errors(*rest[: len(Errors._fields)]), rest[len(Errors._fields) :]
        solved = known.solve(ph, meq_l, celsius, parts)
        value = solved.co2 * CO2_MG_PER_MOL
        below, above = ln_limits(sensitivity(solved, celsius), errors, unknown)
        return value, value * np.exp(-below), value * np.exp(above)

    variance = np.square(as_floats("ph_sd", ph_sd, low=0.0)) + np.square(
        as_floats("calibration_sd_ph", calibration_sd_ph, low=0.0)
    )
    half_width = as_floats(
        "alkalinity_half_width_meq_l", alkalinity_half_width_meq_l, low=0.0, unit="meq/L"
    )
    value, low, high = in_blocks(
        kernel,
        checked_ph(ph),
        checked_alkalinity(alkalinity_meq_l),
        checked_temperature(temperature_c),
        *Errors(
            ph_variance=variance,
            ph_half_width=as_floats("ph_half_width", ph_half_width, low=0.0),
            alkalinity_half_width_meq_l=half_width,
            alkalinity_sd_meq_l=as_floats(
                "alkalinity_sd_meq_l", alkalinity_sd_meq_l, low=0.0, unit="meq/L"
            ),
            temperature_sd_c=as_floats("temperature_sd_c", temperature_sd_c, low=0.0, unit="°C"),
        ),
        *known.arrays,
    )
    return Estimate(value=plain(value), low=plain(low), high=plain(high))


RULE_OF_THUMB: Final = "3 x KH x 10^(7 - pH)"
"""The rule as people write it, KH in dKH."""


def co2_rule_of_thumb_mg_l(ph: ArrayLike, kh_dkh: ArrayLike) -> Floats:
    """CO2, mg/L, by the trade's rule 3 * KH * 10^(7 - pH) (common practice, no source).

    Shapes broadcast.

    Parameters
    ----------
    ph: 2-12.
    kh_dkh: >= 0.

    Returns
    -------
    mg/L, 6-19 % below the full balance between pH 6 and 7.6, 9-14 % at 24-26 °C and KH 2-8; here
    to explain the difference to those who know the rule.
    """
    kh = as_floats("kh_dkh", kh_dkh, low=0.0, unit="dKH")
    return np.asarray(3.0 * kh * 10.0 ** (7.0 - checked_ph(ph)))
