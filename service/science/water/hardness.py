"""Alkalinity and hardness in the units of the trade.

Inside, alkalinity and hardness are milliequivalents per litre (meq/L). A German degree is
10 mg/L of CaO, for carbonate hardness (dKH) and general hardness (dGH) alike.
"""

from __future__ import annotations

from typing import Final

from numpy.typing import ArrayLike

from service.science.constants import ATOMIC_MASS_G_MOL, CACO3_G_MOL, CAO_G_MOL
from service.science.numeric.checks import Floats, as_floats

MEQ_L_PER_DEGREE: Final = 10.0 / (CAO_G_MOL / 2)
"""meq/L in one German degree: 10 mg/L CaO (DIN 38409-6), two equivalents per mole."""

CACO3_MG_PER_MEQ: Final = CACO3_G_MOL / 2


def meq_l_from_dkh(kh_dkh: ArrayLike) -> Floats:
    """Alkalinity, meq/L, from carbonate hardness in German degrees (any shape, >= 0)."""
    return as_floats("kh_dkh", kh_dkh, low=0.0, unit="dKH") * MEQ_L_PER_DEGREE


def dkh_from_meq_l(alkalinity_meq_l: ArrayLike) -> Floats:
    """Carbonate hardness, dKH, from alkalinity in meq/L (any shape, >= 0)."""
    return as_floats("alkalinity_meq_l", alkalinity_meq_l, low=0.0, unit="meq/L") / MEQ_L_PER_DEGREE


def dgh_from_meq_l(gh_meq_l: ArrayLike) -> Floats:
    """General hardness, dGH, from calcium and magnesium in meq/L (any shape, >= 0)."""
    return as_floats("gh_meq_l", gh_meq_l, low=0.0, unit="meq/L") / MEQ_L_PER_DEGREE


def gh_meq_l_from_ca_mg(calcium_mg_l: ArrayLike, magnesium_mg_l: ArrayLike) -> Floats:
    """Hardness, meq/L, from calcium and magnesium in mg/L (shapes broadcast, >= 0)."""
    calcium = as_floats("calcium_mg_l", calcium_mg_l, low=0.0, unit="mg/L")
    magnesium = as_floats("magnesium_mg_l", magnesium_mg_l, low=0.0, unit="mg/L")
    return 2 * (calcium / ATOMIC_MASS_G_MOL["Ca"] + magnesium / ATOMIC_MASS_G_MOL["Mg"])
