"""Alkalinity that is not carbonate: phosphate, borate, humic acids.

A KH test counts every base that takes up acid down to its end point. Whatever of that is not
carbonate makes CO2 computed from KH too high by the same share.

    contribution = sum over solutes of c [n(end point) - n(pH)]

with n the mean number of dissociable protons a solute holds.

Sources
-------
Phosphate pKa1 2.148 and pKa2 = 1979.5/T - 5.3541 + 0.01984 T: Bates & Acree 1943, J. Res. NBS
30:129-155 (from memory; 7.2005 at 25 °C). Borate pKa 9.24 at 25 °C (from memory).
Humic acids: Oliver, Thurman & Malcolm 1983, Geochim. Cosmochim. Acta 47:2031-2035:
10 µeq of acid groups per mg of organic carbon, pK = 0.96 + 0.90 pH - 0.039 pH² (from memory).
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import ArrayLike

from service.science.carbonate.activity import ln_gamma
from service.science.carbonate.inputs import (
    MAX_ALKALINITY_MEQ_L,
    checked_alkalinity,
    checked_ph,
    checked_temperature,
    plain,
)
from service.science.carbonate.kh_test import MeasuredAlkalinity
from service.science.constants import ATOMIC_MASS_G_MOL, CELSIUS_ZERO_K, LN10
from service.science.numeric.checks import Floats, as_floats
from service.science.numeric.polynomials import scaled

END_POINT_PH: Final = 4.5
"""Colour change of a KH drop test (bromocresol green and mixtures; 4.3-4.5 in DIN 38409-7)."""

PHOSPHATE_PKA1: Final = 2.148
BORATE_PKA: Final = 9.24
HUMIC_MEQ_PER_MG_CARBON: Final = 0.010
PHOSPHATE_G_MOL: Final = ATOMIC_MASS_G_MOL["P"] + 4 * ATOMIC_MASS_G_MOL["O"]

PHOSPHATE_SD: Final = 0.1
"""Relative error of a phosphate that somebody tells. Common practice, no source."""
HUMIC_SD: Final = 0.3
"""Relative error of what humic acids add: their acid groups vary by 10-20 % from water to water
(Oliver et al. 1983) and organic carbon is seldom humic alone. Our choice."""

CAUTION_SHARE: Final = 0.05
"""Share of non-carbonate alkalinity worth a caution: 5 % of CO2, the size of the other errors.
Our choice."""


def non_carbonate_alkalinity_meq_l(
    ph: ArrayLike,
    temperature_c: ArrayLike = 25.0,
    *,
    phosphate_mg_l: ArrayLike = 0.0,
    boron_mg_l: ArrayLike = 0.0,
    organic_carbon_mg_l: ArrayLike = 0.0,
    ionic_strength_mol_l: ArrayLike = 0.005,
) -> Floats:
    """Alkalinity, meq/L, that phosphate, borate and humic acids add to a KH test.

    Shapes broadcast.

    Parameters
    ----------
    ph: of the tank, 2-12.
    temperature_c: 0-50.
    phosphate_mg_l: as PO4.
    boron_mg_l: as B.
    organic_carbon_mg_l: dissolved organic carbon of humic kind (brown water: 5-20).
    ionic_strength_mol_l: 0-0.1.

    Returns
    -------
    meq/L between the tank's pH and the end point 4.5.

    Raises
    ------
    OutOfRangeError: names the parameter outside its range.
    """
    ph_in = checked_ph(ph)
    celsius = checked_temperature(temperature_c)
    strength = as_floats("ionic_strength_mol_l", ionic_strength_mol_l, low=0.0, high=0.1)
    phosphate = as_floats("phosphate_mg_l", phosphate_mg_l, low=0.0, unit="mg/L")
    boron = as_floats("boron_mg_l", boron_mg_l, low=0.0, unit="mg/L")
    carbon = as_floats("organic_carbon_mg_l", organic_carbon_mg_l, low=0.0, unit="mg/L")
    one_charge = ln_gamma(strength, scaled(celsius), "davies") / LN10
    pka2 = _phosphate_pka2(celsius) + 3.0 * one_charge
    pka_borate = BORATE_PKA + one_charge
    end = np.asarray(END_POINT_PH)

    def charge(at: Floats) -> Floats:
        first, second = _dissociated(at, PHOSPHATE_PKA1 + one_charge), _dissociated(at, pka2)
        return (
            phosphate / PHOSPHATE_G_MOL * (first + second)
            + boron / ATOMIC_MASS_G_MOL["B"] * _dissociated(at, pka_borate)
            + carbon * HUMIC_MEQ_PER_MG_CARBON * _dissociated(at, _humic_pk(at))
        )

    return plain(np.asarray(charge(ph_in) - charge(end)))


def carbonate_side(
    alkalinity_meq_l: ArrayLike, non_carbonate_meq_l: ArrayLike
) -> tuple[Floats, Floats]:
    """Carbonate part of a measured alkalinity, and the share that is not carbonate.

    Shapes broadcast.

    Parameters
    ----------
    alkalinity_meq_l: as tested.
    non_carbonate_meq_l: from ``non_carbonate_alkalinity_meq_l``.

    Returns
    -------
    (carbonate part in meq/L, at least 0; share 0-1, NaN without alkalinity).
    """
    tested = checked_alkalinity(alkalinity_meq_l)
    other = as_floats("non_carbonate_meq_l", non_carbonate_meq_l, unit="meq/L")
    share = np.clip(other / np.where(tested > 0.0, tested, np.nan), 0.0, 1.0)
    return plain(np.maximum(tested - other, 0.0)), plain(np.asarray(share))


def without_other_bases(
    measured: MeasuredAlkalinity,
    ph: ArrayLike,
    temperature_c: ArrayLike = 25.0,
    *,
    phosphate_mg_l: ArrayLike = 0.0,
    phosphate_sd_mg_l: ArrayLike | None = None,
    boron_mg_l: ArrayLike = 0.0,
    organic_carbon_mg_l: ArrayLike = 0.0,
) -> MeasuredAlkalinity:
    """The carbonate part of a tested alkalinity, with its errors; shapes broadcast.

    Parameters
    ----------
    measured: from ``kh_test.alkalinity_of_test``.
    phosphate_sd_mg_l: by default a tenth of the phosphate.
    others: as in ``non_carbonate_alkalinity_meq_l``.
    """
    phosphate = np.asarray(phosphate_mg_l, dtype=np.float64)
    sd = PHOSPHATE_SD * phosphate if phosphate_sd_mg_l is None else np.asarray(phosphate_sd_mg_l)
    per_mg = np.asarray(non_carbonate_alkalinity_meq_l(ph, temperature_c, phosphate_mg_l=1.0))
    humic = non_carbonate_alkalinity_meq_l(
        ph, temperature_c, organic_carbon_mg_l=organic_carbon_mg_l
    )
    borate = non_carbonate_alkalinity_meq_l(ph, temperature_c, boron_mg_l=boron_mg_l)
    value = measured.value_meq_l - per_mg * phosphate - humic - borate
    scatter = np.hypot(measured.sd_meq_l, np.hypot(per_mg * sd, HUMIC_SD * humic))
    half = np.broadcast_to(measured.half_width_meq_l, value.shape)
    # below the end point these bases count the other way
    value = np.clip(value, 0.0, MAX_ALKALINITY_MEQ_L)
    return MeasuredAlkalinity(plain(value), plain(half), plain(scatter))


def non_carbonate_caution(share: float) -> str | None:
    """A sentence for the user if the non-carbonate share (0-1) matters, else None."""
    if not share > CAUTION_SHARE:
        return None
    return (
        f"about {100 * share:.0f} % of the tested KH is not carbonate (phosphate, borate or humic "
        "acids); CO2 computed from the whole KH would be that much too high"
    )


def _dissociated(ph: Floats, pka: Floats | float) -> Floats:
    return np.asarray(1.0 / (1.0 + 10.0 ** (pka - ph)))


def _phosphate_pka2(celsius: Floats) -> Floats:
    kelvin = celsius + CELSIUS_ZERO_K
    return 1979.5 / kelvin - 5.3541 + 0.01984 * kelvin


def _humic_pk(ph: Floats) -> Floats:
    return 0.96 + 0.90 * ph - 0.039 * ph * ph
