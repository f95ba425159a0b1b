"""What else is dissolved: ionic strength, and calcium and magnesium that bind carbonate.

From alkalinity, hardness (GH) and conductivity the ions of a tank are reconstructed as far as
charge balance and conductance allow. Every cation charge has an anion charge; with S the sum
of either in meq/L,

    EC / f = L_cations S + L_bicarbonate alkalinity + L_anions (S - alkalinity)

gives S from the conductivity; without one, S is the larger of the known anions (alkalinity and
nitrate) and the known cations (GH and potassium).

Sources
-------
Limiting equivalent conductivities, S cm²/eq at 25 °C: CRC Handbook of Chemistry and Physics
(from memory): 1/2 Ca 59.5, 1/2 Mg 53.0, Na 50.1, K 73.5; HCO3 44.5, Cl 76.3, 1/2 SO4 80.0,
NO3 71.4.
Factor f, the loss of conductance between infinite dilution and I = 0.003-0.010 mol/L, and the
charge share of sulfate: our choice, checked against 600 waters computed by PHREEQC
(tests/science/carbonate/test_waters.py).
CaHCO3+, CaCO3(aq): Plummer & Busenberg 1982. MgHCO3+, MgCO3(aq): the expressions of
PHREEQC's phreeqc.dat (Parkhurst & Appelo 2013). They are entered here as lines in t about
25 °C, within 2 % at 15-30 °C, since the whole correction is 1-2 % of CO2.
"""

from __future__ import annotations

from typing import Final, NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from service.science.numeric.checks import Floats, as_floats

CATION_CONDUCTIVITY: Final = 58.0  # 45 % Ca, 15 % Mg, 25 % Na, 15 % K by charge
BICARBONATE_CONDUCTIVITY: Final = 44.5
OTHER_ANION_CONDUCTIVITY: Final = 77.0  # chloride, nitrate, sulfate
CONDUCTANCE_FACTOR: Final = 0.90
SULFATE_SHARE: Final = 0.3
"""Share of the anion charge beyond bicarbonate that counts as free, doubly charged sulfate."""

HARDNESS_SHARE_UNKNOWN: Final = 0.6
"""Share of the cation charge taken as calcium and magnesium when there is a conductivity but
no GH test. Our choice, midway for tap and hardened waters."""

CALCIUM_SHARE: Final = 0.7
"""Molar share of calcium in the hardness; a GH test does not tell. Common practice, no source."""
FREE_HARDNESS: Final = 0.93
"""Share of calcium and magnesium not paired with sulfate or carbonate, typical of PHREEQC."""


class PairConstant(NamedTuple):
    """K = at_25 (1 + per_kelvin (t - 25)), L/mol."""

    at_25: float
    per_kelvin: float


CALCIUM_BICARBONATE: Final = PairConstant(12.71, 0.0163)
MAGNESIUM_BICARBONATE: Final = PairConstant(11.72, 0.0039)
CALCIUM_CARBONATE: Final = PairConstant(1694.0, 0.0174)
MAGNESIUM_CARBONATE: Final = PairConstant(956.0, 0.0148)


class Ions(NamedTuple):
    """Ionic strength, mol/L, and free calcium and magnesium, mol/L (None: not considered)."""

    strength: Floats
    hardness: Floats | None


def charge_sum_meq_l(alkalinity_meq_l: Floats, conductivity_us_cm: Floats) -> Floats:
    """Sum of cation charges, meq/L, from alkalinity (meq/L) and conductivity (µS/cm, 25 °C)."""
    lift = (OTHER_ANION_CONDUCTIVITY - BICARBONATE_CONDUCTIVITY) * alkalinity_meq_l
    total = CATION_CONDUCTIVITY + OTHER_ANION_CONDUCTIVITY
    return (conductivity_us_cm * (1.0 / CONDUCTANCE_FACTOR) + lift) * (1.0 / total)


def ions(
    alkalinity_meq_l: Floats,
    gh_meq_l: Floats | None,
    conductivity_us_cm: Floats | None,
    nitrate_meq_l: Floats | None = None,
    potassium_meq_l: Floats | None = None,
) -> Ions:
    """Ionic strength and free hardness from the evidence at hand (checked arrays)."""
    anions = alkalinity_meq_l if nitrate_meq_l is None else alkalinity_meq_l + nitrate_meq_l
    if gh_meq_l is None and conductivity_us_cm is None:
        return Ions(anions * 1e-3, None)
    charge = anions
    if conductivity_us_cm is not None:
        charge = np.maximum(charge, charge_sum_meq_l(alkalinity_meq_l, conductivity_us_cm))
    hardness = HARDNESS_SHARE_UNKNOWN * charge if gh_meq_l is None else gh_meq_l
    cations = hardness if potassium_meq_l is None else hardness + potassium_meq_l
    charge = np.maximum(charge, cations)
    # I = 1/2 sum(z² m) = 1/2 sum(z * charge): double charges count twice
    strength = (charge + 0.5 * hardness + (0.5 * SULFATE_SHARE) * (charge - anions)) * 1e-3
    return Ions(strength, hardness * (0.5e-3 * FREE_HARDNESS))


def pair_constants(temperature_c: Floats) -> tuple[Floats, Floats]:
    """Stability of (bicarbonate, carbonate) with the tank's mix of Ca and Mg, L/mol."""
    distance = temperature_c - 25.0
    return (
        _mixed(CALCIUM_BICARBONATE, MAGNESIUM_BICARBONATE, distance),
        _mixed(CALCIUM_CARBONATE, MAGNESIUM_CARBONATE, distance),
    )


def _mixed(calcium: PairConstant, magnesium: PairConstant, distance: Floats) -> Floats:
    ca, mg = CALCIUM_SHARE * calcium.at_25, (1.0 - CALCIUM_SHARE) * magnesium.at_25
    return (ca + mg) + (ca * calcium.per_kelvin + mg * magnesium.per_kelvin) * distance


def ionic_strength_mol_l(
    alkalinity_meq_l: ArrayLike,
    *,
    gh_meq_l: ArrayLike | None = None,
    conductivity_us_cm: ArrayLike | None = None,
) -> Floats:
    """Ionic strength of tank water from the best evidence at hand.

    Shapes broadcast.

    Parameters
    ----------
    alkalinity_meq_l: meq/L, >= 0.
    gh_meq_l: calcium and magnesium.
    conductivity_us_cm: at 25 °C. With neither, the water counts as a solution of KHCO3.

    Returns
    -------
    mol/L.

    Raises
    ------
    OutOfRangeError: a negative input.
    """
    found = ions(
        as_floats("alkalinity_meq_l", alkalinity_meq_l, low=0.0, unit="meq/L"),
        checked_gh(gh_meq_l),
        checked_conductivity(conductivity_us_cm),
    )
    return np.asarray(found.strength)


def checked_gh(gh_meq_l: ArrayLike | None) -> Floats | None:
    """``gh_meq_l`` as checked array (0-50 meq/L), None staying None."""
    if gh_meq_l is None:
        return None
    return as_floats("gh_meq_l", gh_meq_l, low=0.0, high=50.0, unit="meq/L")


def checked_nutrient_meq_l(name: str, mg_l: ArrayLike | None, g_mol: float) -> Floats | None:
    """A singly charged nutrient of 0-5000 mg/L as meq/L, None staying None."""
    if mg_l is None:
        return None
    return as_floats(name, mg_l, low=0.0, high=5000.0, unit="mg/L") / g_mol


def checked_conductivity(conductivity_us_cm: ArrayLike | None) -> Floats | None:
    """``conductivity_us_cm`` as checked array (0-8000 µS/cm), None staying None."""
    if conductivity_us_cm is None:
        return None
    return as_floats("conductivity_us_cm", conductivity_us_cm, low=0.0, high=8000.0, unit="µS/cm")
