"""Dosing: what a salt or a stock solution adds to the water, and how much of it is needed.

Molar masses follow from the formulas and IUPAC atomic weights; mass fractions from a label serve
where there is no formula (chelates, trace mixes).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Final

import numpy as np
from numpy.typing import ArrayLike

from service.science.constants import ATOMIC_MASS_G_MOL, HCO3_G_MOL
from service.science.numeric.checks import Floats, OutOfRangeError, as_floats
from service.science.nutrients.formulas import molar_mass_g_mol
from service.science.water.hardness import gh_meq_l_from_ca_mg

MG_PER_G: Final = 1000.0


@dataclass(frozen=True)
class Substance:
    """Something weighed and dissolved.

    mass_fraction: g of each ion per g, the ions written as test kits name them (PO4 for all
        phosphate, HCO3 for bicarbonate).
    solubility_g_l: g per litre of water at 20 °C; None = not known.
    """

    name: str
    mass_fraction: Mapping[str, float]
    solubility_g_l: float | None = None


def salt(formula: str, ions: Mapping[str, int], solubility_g_l: float | None = None) -> Substance:
    """A substance from its formula ("MgSO4.7H2O") and the number of each ion in it."""
    whole = molar_mass_g_mol(formula)
    fractions = {ion: count * molar_mass_g_mol(ion) / whole for ion, count in ions.items()}
    return Substance(formula, MappingProxyType(fractions), solubility_g_l)


def labelled(name: str, mass_fraction: Mapping[str, float]) -> Substance:
    """A substance from the mass fractions on its label, such as {"Fe": 0.13}.

    Raises OutOfRangeError if a fraction is not between 0 and 1 or they add up to more than 1.
    """
    for ion, fraction in mass_fraction.items():
        as_floats(f"mass fraction of {ion}", fraction, above=0, high=1)
    as_floats("sum of mass fractions", sum(mass_fraction.values()), high=1 + 1e-9)
    return Substance(name, MappingProxyType(dict(mass_fraction)))


SUBSTANCES: Final[Mapping[str, Substance]] = MappingProxyType(
    {
        substance.name: substance
        for substance in (
            salt("KNO3", {"K": 1, "NO3": 1}, 316.0),
            salt("KH2PO4", {"K": 1, "PO4": 1}, 226.0),
            salt("K2SO4", {"K": 2, "SO4": 1}, 111.0),
            salt("MgSO4.7H2O", {"Mg": 1, "SO4": 1}, 700.0),
            salt("CaSO4.2H2O", {"Ca": 1, "SO4": 1}, 2.4),
            salt("CaCl2.2H2O", {"Ca": 1, "Cl": 2}, 980.0),
            salt("Ca(NO3)2.4H2O", {"Ca": 1, "NO3": 2}, 1290.0),
            salt("KHCO3", {"K": 1, "HCO3": 1}, 337.0),
            salt("NaHCO3", {"Na": 1, "HCO3": 1}, 96.0),
            salt("FeSO4.7H2O", {"Fe": 1, "SO4": 1}, 260.0),
            labelled("Fe-EDTA", {"Fe": 0.13}),
            labelled("Fe-DTPA", {"Fe": 0.11}),
            labelled("Fe-EDDHA", {"Fe": 0.06}),
        )
    }
)
"""Common salts and chelates. Solubility at 20 °C as in common handbook tables (from memory, two
digits). The iron of chelates is what labels usually state (common practice, no source): take
your own label's value with `labelled`."""


def substance(name: str | Substance) -> Substance:
    """The substance of that name; OutOfRangeError lists the known names."""
    if isinstance(name, Substance):
        return name
    if name not in SUBSTANCES:
        raise OutOfRangeError("substance", name, ", ".join(SUBSTANCES))
    return SUBSTANCES[name]


def ions_mg_l(name: str | Substance, grams: ArrayLike, litres: ArrayLike) -> dict[str, Floats]:
    """Rise of each ion when `grams` are dissolved in `litres` of water.
    Shapes broadcast.

    Parameters
    ----------
    name: of `SUBSTANCES`, or a Substance.  grams: weighed, >= 0.  litres: net volume, above 0.

    Returns
    -------
    mg/L by ion.

    Raises
    ------
    OutOfRangeError: unknown name, a negative mass, a volume that is not positive.
    """
    mass = as_floats("grams", grams, low=0, unit="g")
    volume = as_floats("litres", litres, above=0, unit="L")
    per_litre = mass * MG_PER_G / volume
    return {ion: np.asarray(per_litre * x) for ion, x in substance(name).mass_fraction.items()}


def dose_g(name: str | Substance, ion: str, rise_mg_l: ArrayLike, litres: ArrayLike) -> Floats:
    """Grams that raise `ion` by `rise_mg_l` in `litres`.

    Raises
    ------
    OutOfRangeError: unknown name, an ion that the substance lacks, a negative rise, a volume that
        is not positive.
    """
    rise = as_floats("rise_mg_l", rise_mg_l, low=0, unit="mg/L")
    volume = as_floats("litres", litres, above=0, unit="L")
    return np.asarray(rise * volume / MG_PER_G / _fraction(substance(name), ion))


def _fraction(of: Substance, ion: str) -> float:
    if ion not in of.mass_fraction:
        raise OutOfRangeError("ion", ion, f"{', '.join(of.mass_fraction)}, which {of.name} holds")
    return of.mass_fraction[ion]


def added(*parts: Mapping[str, ArrayLike]) -> dict[str, Floats]:
    """Sum of several rises (mg/L by ion), as of a dose of several salts."""
    total: dict[str, Floats] = {}
    for part in parts:
        for ion, rise in part.items():
            total[ion] = np.asarray(total.get(ion, np.zeros(())) + np.asarray(rise, np.float64))
    return total


def kh_rise_meq_l(rise_mg_l: Mapping[str, ArrayLike]) -> Floats:
    """Rise of alkalinity, meq/L, by the bicarbonate and the carbonate in `rise_mg_l`.

    Nitrate taken up by plants raises it too, and nitrification lowers it; not counted here.
    """
    bicarbonate = np.asarray(rise_mg_l.get("HCO3", 0.0), np.float64) / HCO3_G_MOL
    carbonate = np.asarray(rise_mg_l.get("CO3", 0.0), np.float64) / molar_mass_g_mol("CO3")
    return np.asarray(bicarbonate + 2 * carbonate)


def gh_rise_meq_l(rise_mg_l: Mapping[str, ArrayLike]) -> Floats:
    """Rise of hardness, meq/L, by the calcium and magnesium in `rise_mg_l`."""
    return gh_meq_l_from_ca_mg(rise_mg_l.get("Ca", 0.0), rise_mg_l.get("Mg", 0.0))


NO3_PER_N: Final = molar_mass_g_mol("NO3") / ATOMIC_MASS_G_MOL["N"]
"""mg of nitrate per mg of nitrogen, 4.4267: laboratories state NO3-N, test kits NO3."""

PO4_PER_P: Final = molar_mass_g_mol("PO4") / ATOMIC_MASS_G_MOL["P"]
"""mg of phosphate per mg of phosphorus, 3.066."""

K_PER_K2O: Final = 2 * ATOMIC_MASS_G_MOL["K"] / molar_mass_g_mol("K2O")
P_PER_P2O5: Final = 2 * ATOMIC_MASS_G_MOL["P"] / molar_mass_g_mol("P2O5")


def from_fertiliser_grade(
    n_percent: float, p2o5_percent: float, k2o_percent: float
) -> dict[str, float]:
    """Mass fractions of NO3, PO4 and K from an N-P-K grade, which counts P2O5 and K2O.

    All nitrogen is taken as nitrate: not for grades with ammonium or urea, which are poisonous
    to fish. Raises OutOfRangeError for a percentage outside 0-100.
    """
    n = as_floats("n_percent", n_percent, low=0, high=100, unit="%")
    p = as_floats("p2o5_percent", p2o5_percent, low=0, high=100, unit="%")
    k = as_floats("k2o_percent", k2o_percent, low=0, high=100, unit="%")
    fractions = {
        "NO3": float(n) / 100 * NO3_PER_N,
        "PO4": float(p) / 100 * P_PER_P2O5 * PO4_PER_P,
        "K": float(k) / 100 * K_PER_K2O,
    }
    return {ion: fraction for ion, fraction in fractions.items() if fraction > 0}
