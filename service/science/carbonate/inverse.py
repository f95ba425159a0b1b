"""The balance read backwards: pH for a CO2 target, alkalinity from CO2 and pH, bicarbonate."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import ArrayLike

from service.science.carbonate.balance import balance
from service.science.carbonate.inputs import (
    CO2_MG_PER_MOL,
    MAX_ALKALINITY_MEQ_L,
    PH_RANGE,
    checked_alkalinity,
    checked_co2,
    checked_ph,
    checked_temperature,
    evidence,
    plain,
)
from service.science.constants import ATOMIC_MASS_G_MOL, HCO3_G_MOL
from service.science.numeric.blocks import in_blocks
from service.science.numeric.checks import Floats, OutOfRangeError, as_floats

BICARBONATE_SALT_G_MOL: Final = {
    "NaHCO3": ATOMIC_MASS_G_MOL["Na"] + HCO3_G_MOL,
    "KHCO3": ATOMIC_MASS_G_MOL["K"] + HCO3_G_MOL,
}

BISECTIONS: Final = 45
"""Halvings of the pH range 2-12: 3e-13 pH at the end."""

_ONE_MOL_L: Final = np.ones(())


def ph_for_co2(
    co2_mg_l: ArrayLike,
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
    """pH at which the water holds a given CO2.

    Shapes broadcast.

    Parameters
    ----------
    co2_mg_l: 0-20000.
    others: as in ``carbonate.co2.co2_mg_l``.

    Returns
    -------
    pH, by bisection; NaN where the answer would lie outside pH 2-12.

    Raises
    ------
    OutOfRangeError: names the parameter.
    """
    known = evidence(
        ionic_strength_mol_l, gh_meq_l, conductivity_us_cm, activity, nitrate_mg_l, potassium_mg_l
    )

    def kernel(co2: Floats, meq_l: Floats, celsius: Floats, *parts: Floats) -> tuple[Floats, ...]:
        target = co2 / CO2_MG_PER_MOL
        missing = np.isnan(sum(parts, target + meq_l + celsius))
        low, high = np.full(missing.shape, PH_RANGE[0]), np.full(missing.shape, PH_RANGE[1])
        # CO2 falls with pH everywhere, and where hydroxide alone exceeds the alkalinity (NaN,
        # which compares False) the pH is too high: bisection needs nothing else.
        for _ in range(BISECTIONS):
            middle = 0.5 * (low + high)
            above = known.solve(middle, meq_l, celsius, parts).co2 > target
            low, high = np.where(above, middle, low), np.where(above, high, middle)
        ph = 0.5 * (low + high)
        at_edge = (ph < PH_RANGE[0] + 1e-9) | (ph > PH_RANGE[1] - 1e-9)
        return (np.where(missing | at_edge, np.nan, ph),)

    (ph,) = in_blocks(
        kernel,
        checked_co2(co2_mg_l),
        checked_alkalinity(alkalinity_meq_l),
        checked_temperature(temperature_c),
        *known.arrays,
    )
    return plain(ph)


def alkalinity_for_co2(
    co2_mg_l: ArrayLike,
    ph: ArrayLike,
    temperature_c: ArrayLike,
    *,
    ionic_strength_mol_l: ArrayLike | None = None,
    gh_meq_l: ArrayLike | None = None,
    conductivity_us_cm: ArrayLike | None = None,
    nitrate_mg_l: ArrayLike | None = None,
    potassium_mg_l: ArrayLike | None = None,
    activity: str = "debye-hueckel",
) -> Floats:
    """Alkalinity, meq/L, of water that holds a given CO2 at a given pH.

    Shapes broadcast.

    Parameters
    ----------
    co2_mg_l: 0-20000.
    others: as in ``carbonate.co2.co2_mg_l``.

    Returns
    -------
    meq/L; may be negative in acid water with little CO2.

    Raises
    ------
    OutOfRangeError: names the parameter.
    """
    known = evidence(
        ionic_strength_mol_l, gh_meq_l, conductivity_us_cm, activity, nitrate_mg_l, potassium_mg_l
    )

    def kernel(co2: Floats, ph: Floats, celsius: Floats, *parts: Floats) -> tuple[Floats, ...]:
        target = co2 / CO2_MG_PER_MOL
        trial = np.zeros(np.broadcast_shapes(target.shape, ph.shape, celsius.shape))
        # At fixed ions CO2 is proportional to the carbonate alkalinity. The ions depend weakly
        # on the answer, so a few rounds settle it.
        for _ in range(8):
            present = known.ions(np.clip(trial, 0.0, MAX_ALKALINITY_MEQ_L), parts)
            solved = balance(ph, _ONE_MOL_L, celsius, present, known.model)
            carbonate = solved.carbonate_alkalinity * target / solved.co2
            trial = (carbonate + solved.hydroxide - solved.hydrogen) * 1e3
        return (trial,)

    (alkalinity,) = in_blocks(
        kernel,
        checked_co2(co2_mg_l),
        checked_ph(ph),
        checked_temperature(temperature_c),
        *known.arrays,
    )
    return plain(alkalinity)


def alkalinity_after_bicarbonate(
    alkalinity_meq_l: ArrayLike, salt_g: ArrayLike, volume_l: ArrayLike, *, salt: str = "NaHCO3"
) -> Floats:
    """Alkalinity, meq/L, after dissolving a bicarbonate salt.

    Shapes broadcast.

    Parameters
    ----------
    alkalinity_meq_l: before.
    salt_g: >= 0.
    volume_l: net water, above 0.
    salt: "NaHCO3" or "KHCO3".

    Returns
    -------
    meq/L. CO2 does not change until gas is exchanged; pH rises with the ratio of alkalinities.

    Raises
    ------
    OutOfRangeError: names the parameter.
    """
    volume = as_floats("volume_l", volume_l, low=1e-3, unit="L")
    grams = as_floats("salt_g", salt_g, low=0.0, unit="g")
    added = grams / _salt_g_mol(salt) / volume * 1e3
    return plain(np.asarray(checked_alkalinity(alkalinity_meq_l) + added))


def bicarbonate_g_for_alkalinity(
    alkalinity_meq_l: ArrayLike,
    target_meq_l: ArrayLike,
    volume_l: ArrayLike,
    *,
    salt: str = "NaHCO3",
) -> Floats:
    """Grams of a bicarbonate salt that raise the alkalinity to a target (0 if it is there).

    Parameters and errors as ``alkalinity_after_bicarbonate``; ``target_meq_l`` 0-50.
    """
    volume = as_floats("volume_l", volume_l, low=1e-3, unit="L")
    high = MAX_ALKALINITY_MEQ_L
    target = as_floats("target_meq_l", target_meq_l, low=0.0, high=high, unit="meq/L")
    lacking = np.maximum(target - checked_alkalinity(alkalinity_meq_l), 0.0)
    return plain(np.asarray(lacking * volume * 1e-3 * _salt_g_mol(salt)))


def _salt_g_mol(salt: str) -> float:
    if salt not in BICARBONATE_SALT_G_MOL:
        raise OutOfRangeError("salt", salt, ", ".join(BICARBONATE_SALT_G_MOL))
    return BICARBONATE_SALT_G_MOL[salt]
