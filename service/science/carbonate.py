"""Dissolved CO2 from pH, alkalinity and temperature; its inverses; its uncertainty.

Valid for fresh water at 0-50 °C, pH 2-12, ionic strength below 0.1 mol/L. All functions are
vectorised and broadcast; NaN in (a missing reading) gives NaN out.

The pH is the one a calibrated glass electrode shows: minus the logarithm of hydrogen-ion
activity. The alkalinity counts as carbonate unless it is corrected first, see
``carbonate_side``. Equations and sources: ``carbonate_balance``, ``carbonate_equilibria``,
``carbonate_activity`` and docs/science/carbonate.md.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import ArrayLike

from service.science.blocks import in_blocks
from service.science.carbonate_activity import (
    ActivityModel,
    check_model,
    ionic_strength_mol_l,
)
from service.science.carbonate_balance import balance, sensitivity
from service.science.constants import CO2_G_MOL
from service.science.estimate import Estimate, from_log_sd
from service.science.hardness import MEQ_L_PER_DEGREE
from service.science.inputs import Floats, as_floats

__all__ = [
    "Estimate",
    "alkalinity_for_co2",
    "co2_mg_l",
    "co2_rule_of_thumb_mg_l",
    "estimate_co2",
    "ionic_strength_mol_l",
    "ph_for_co2",
]

PH_RANGE: Final = (2.0, 12.0)
TEMPERATURE_RANGE_C: Final = (0.0, 50.0)
MAX_ALKALINITY_MEQ_L: Final = 50.0
MAX_IONIC_STRENGTH_MOL_L: Final = 0.1

CO2_MG_PER_MOL: Final = CO2_G_MOL * 1000.0

DEFAULT_PH_SD: Final = 0.02
"""Scatter of a reading. Common practice, no source."""
DEFAULT_CALIBRATION_SD_PH: Final = 0.025
"""Fresh two-point calibration in 0.02-pH buffers. Common practice, no source."""
DEFAULT_ALKALINITY_SD_MEQ_L: Final = MEQ_L_PER_DEGREE / 12.0**0.5
"""A drop test that counts whole dKH: uniform over one step, sd = step / sqrt(12)."""
DEFAULT_TEMPERATURE_SD_C: Final = 0.3
"""A plain probe with no calibration of its own. Common practice, no source."""


def co2_mg_l(
    ph: ArrayLike,
    alkalinity_meq_l: ArrayLike,
    temperature_c: ArrayLike,
    *,
    ionic_strength_mol_l: ArrayLike | None = None,
    activity: str = "debye-hueckel",
) -> Floats:
    """CO2 (with the trace of H2CO3) from pH, alkalinity and temperature.

    Parameters (shapes broadcast): ``ph`` 2-12, activity scale; ``alkalinity_meq_l`` 0-50;
    ``temperature_c`` 0-50; ``ionic_strength_mol_l`` 0-0.1, by default that of KHCO3 water of
    this alkalinity; ``activity`` "debye-hueckel" (extended), "davies" or "none".
    Returns: mg/L, broadcast shape; NaN where an input is NaN or where the alkalinity is less
    than the hydroxide at that pH alone.
    Raises: ValueError naming the parameter outside its range.
    Source: Plummer & Busenberg 1982; Truesdell & Jones 1974; see the module's parts.
    """
    model = check_model(activity)
    arrays = _checked(ph, alkalinity_meq_l, temperature_c)
    strength = _strength(ionic_strength_mol_l)

    def kernel(*parts: Floats) -> tuple[Floats, ...]:
        return (_solve_mg_l(*parts, model=model),)

    return _out(in_blocks(kernel, *arrays, *strength)[0])


def estimate_co2(
    ph: ArrayLike,
    alkalinity_meq_l: ArrayLike,
    temperature_c: ArrayLike,
    *,
    ph_sd: ArrayLike = DEFAULT_PH_SD,
    alkalinity_sd_meq_l: ArrayLike = DEFAULT_ALKALINITY_SD_MEQ_L,
    temperature_sd_c: ArrayLike = DEFAULT_TEMPERATURE_SD_C,
    calibration_sd_ph: ArrayLike = DEFAULT_CALIBRATION_SD_PH,
    gh_meq_l: ArrayLike | None = None,
    conductivity_us_cm: ArrayLike | None = None,
) -> Estimate:
    """CO2 with a 95 % interval, errors propagated in log space.

    Parameters (shapes broadcast): as ``co2_mg_l``, with ``gh_meq_l`` (calcium and magnesium)
    and ``conductivity_us_cm`` (at 25 °C) to refine the ionic strength; ``ph_sd`` scatter of the
    reading, ``calibration_sd_ph`` standard deviation of the electrode's calibration,
    ``alkalinity_sd_meq_l`` and ``temperature_sd_c`` of those inputs, all >= 0.
    Returns: Estimate, mg/L. Raises: ValueError as ``co2_mg_l``.

    Errors are taken as independent, pH and temperature as normal, alkalinity as log-normal
    (it cannot be negative); first-order propagation of ln CO2.
    """
    arrays = _checked(ph, alkalinity_meq_l, temperature_c)
    spreads = (
        as_floats("ph_sd", ph_sd, low=0.0),
        as_floats("calibration_sd_ph", calibration_sd_ph, low=0.0),
        as_floats("alkalinity_sd_meq_l", alkalinity_sd_meq_l, low=0.0, unit="meq/L"),
        as_floats("temperature_sd_c", temperature_sd_c, low=0.0, unit="°C"),
    )
    strength: tuple[Floats, ...] = ()
    if gh_meq_l is not None or conductivity_us_cm is not None:
        strength = _strength(
            ionic_strength_mol_l(
                arrays[1], gh_meq_l=gh_meq_l, conductivity_us_cm=conductivity_us_cm
            )
        )

    value, low, high = in_blocks(_estimate_kernel, *arrays, *spreads, *strength)
    return Estimate(value=_out(value), low=_out(low), high=_out(high))


def co2_rule_of_thumb_mg_l(ph: ArrayLike, kh_dkh: ArrayLike) -> Floats:
    """CO2, mg/L, by the trade's rule 3 * KH * 10^(7 - pH) (common practice, no source).

    Parameters (shapes broadcast): ``ph`` 2-12; ``kh_dkh`` >= 0. It reads 6-19 % below the full
    balance between pH 6 and 7.6; kept to explain the difference to those who know it.
    """
    ph_in = as_floats("ph", ph, low=PH_RANGE[0], high=PH_RANGE[1])
    return np.asarray(
        3.0 * as_floats("kh_dkh", kh_dkh, low=0.0, unit="dKH") * 10.0 ** (7.0 - ph_in)
    )


def ph_for_co2(
    co2_mg_l: ArrayLike,
    alkalinity_meq_l: ArrayLike,
    temperature_c: ArrayLike,
    *,
    ionic_strength_mol_l: ArrayLike | None = None,
    activity: str = "debye-hueckel",
) -> Floats:
    """pH at which the water holds a given CO2.

    Parameters (shapes broadcast): ``co2_mg_l`` above 0; others as ``co2_mg_l()``.
    Returns: pH; NaN where the answer would lie outside pH 2-12. Solved by bisection, to
    1e-12 pH. Raises: ValueError naming the parameter.
    """
    model = check_model(activity)
    target = as_floats("co2_mg_l", co2_mg_l, low=1e-6, high=2e4, unit="mg/L")
    alkalinity = _alkalinity(alkalinity_meq_l)
    temperature = _temperature(temperature_c)
    strength = _strength(ionic_strength_mol_l)

    def kernel(*parts: Floats) -> tuple[Floats, ...]:
        return (_ph_kernel(*parts, model=model),)

    return _out(in_blocks(kernel, target, alkalinity, temperature, *strength)[0])


def alkalinity_for_co2(
    co2_mg_l: ArrayLike,
    ph: ArrayLike,
    temperature_c: ArrayLike,
    *,
    ionic_strength_mol_l: ArrayLike | None = None,
    activity: str = "debye-hueckel",
) -> Floats:
    """Alkalinity, meq/L, of water that holds a given CO2 at a given pH.

    Parameters (shapes broadcast): ``co2_mg_l`` >= 0; others as ``co2_mg_l()``; without an ionic
    strength it is that of KHCO3 water of the answer (fixed-point steps).
    Returns: meq/L; may be negative in strongly acid water without CO2.
    Raises: ValueError naming the parameter.
    """
    model = check_model(activity)
    co2 = as_floats("co2_mg_l", co2_mg_l, low=0.0, high=2e4, unit="mg/L")
    ph_in = as_floats("ph", ph, low=PH_RANGE[0], high=PH_RANGE[1])
    temperature = _temperature(temperature_c)
    strength = _strength(ionic_strength_mol_l)

    def kernel(*parts: Floats) -> tuple[Floats, ...]:
        return (_alkalinity_kernel(*parts, model=model),)

    return _out(in_blocks(kernel, co2, ph_in, temperature, *strength)[0])


def _alkalinity(value: ArrayLike) -> Floats:
    return as_floats("alkalinity_meq_l", value, low=0.0, high=MAX_ALKALINITY_MEQ_L, unit="meq/L")


def _temperature(value: ArrayLike) -> Floats:
    low, high = TEMPERATURE_RANGE_C
    return as_floats("temperature_c", value, low=low, high=high, unit="°C")


def _checked(ph: ArrayLike, alkalinity: ArrayLike, temperature: ArrayLike) -> tuple[Floats, ...]:
    low, high = PH_RANGE
    return (
        as_floats("ph", ph, low=low, high=high),
        _alkalinity(alkalinity),
        _temperature(temperature),
    )


def _strength(value: ArrayLike | None) -> tuple[Floats, ...]:
    if value is None:
        return ()
    high = MAX_IONIC_STRENGTH_MOL_L
    return (as_floats("ionic_strength_mol_l", value, low=0.0, high=high, unit="mol/L"),)


def _out(value: Floats) -> Floats:
    return np.float64(value) if value.ndim == 0 else value  # type: ignore[return-value]


def _solve_mg_l(
    ph: Floats, meq_l: Floats, temperature_c: Floats, *strength: Floats, model: ActivityModel
) -> Floats:
    alkalinity = meq_l * 1e-3
    ionic = strength[0] if strength else alkalinity
    return balance(ph, alkalinity, temperature_c, ionic, model).co2 * CO2_MG_PER_MOL


def _estimate_kernel(
    ph: Floats,
    meq_l: Floats,
    temperature_c: Floats,
    ph_sd: Floats,
    calibration_sd: Floats,
    meq_l_sd: Floats,
    temperature_sd: Floats,
    *strength: Floats,
) -> tuple[Floats, ...]:
    alkalinity = meq_l * 1e-3
    ionic = strength[0] if strength else alkalinity
    solved = balance(ph, alkalinity, temperature_c, ionic, "debye-hueckel")
    slope = sensitivity(solved, alkalinity, temperature_c)
    relative = meq_l_sd / np.maximum(meq_l, 1e-9)
    variance = (
        slope.per_ph * slope.per_ph * (ph_sd * ph_sd + calibration_sd * calibration_sd)
        + slope.per_ln_alkalinity * slope.per_ln_alkalinity * np.log1p(relative * relative)
        + slope.per_kelvin * slope.per_kelvin * (temperature_sd * temperature_sd)
    )
    estimate = from_log_sd(solved.co2 * CO2_MG_PER_MOL, np.sqrt(variance))
    return estimate.value, estimate.low, estimate.high


def _ph_kernel(
    co2: Floats, meq_l: Floats, temperature_c: Floats, *strength: Floats, model: ActivityModel
) -> Floats:
    alkalinity = meq_l * 1e-3
    ionic = strength[0] if strength else alkalinity
    # CO2 falls with pH everywhere, and where hydroxide alone exceeds the alkalinity (NaN,
    # which compares False) the pH is too high: bisection needs nothing else.
    shape = np.broadcast_shapes(co2.shape, alkalinity.shape, temperature_c.shape, ionic.shape)
    low, high = np.full(shape, PH_RANGE[0]), np.full(shape, PH_RANGE[1])
    target = co2 / CO2_MG_PER_MOL
    for _ in range(45):
        middle = 0.5 * (low + high)
        above = balance(middle, alkalinity, temperature_c, ionic, model).co2 > target
        low, high = np.where(above, middle, low), np.where(above, high, middle)
    ph = 0.5 * (low + high)
    missing = np.isnan(target + alkalinity + temperature_c + ionic)
    at_edge = (ph < PH_RANGE[0] + 1e-9) | (ph > PH_RANGE[1] - 1e-9)
    return np.where(missing | at_edge, np.nan, ph)


def _alkalinity_kernel(
    co2: Floats, ph: Floats, temperature_c: Floats, *strength: Floats, model: ActivityModel
) -> Floats:
    # At fixed activity coefficients CO2 is linear in the alkalinity: solve one trial water,
    # scale its carbonate part, and add back hydroxide and hydrogen.
    target = co2 / CO2_MG_PER_MOL
    trial = np.asarray(1.0)
    alkalinity = np.zeros(np.broadcast_shapes(co2.shape, ph.shape, temperature_c.shape))
    for _ in range(1 if strength else 6):
        ionic = strength[0] if strength else np.clip(alkalinity, 0.0, MAX_IONIC_STRENGTH_MOL_L)
        unit = balance(ph, trial, temperature_c, ionic, model)
        carbonate = unit.carbonate_alkalinity * target / unit.co2
        alkalinity = carbonate + unit.hydroxide - unit.hydrogen
    return alkalinity * 1e3
