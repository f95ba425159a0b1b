"""Constants shared by the science modules: each stands once, named, with its source."""

from __future__ import annotations

from typing import Final

LN10: Final = 2.302585092994046

SECONDS_PER_HOUR: Final = 3600.0

CELSIUS_ZERO_K: Final = 273.15
"""0 °C in kelvin (definition; BIPM SI brochure, 9th edition)."""

GAS_CONSTANT_J_MOL_K: Final = 8.31446261815324
"""Molar gas constant R (CODATA 2018, exact since the 2019 SI)."""

FARADAY_C_MOL: Final = 96485.33212331
"""Faraday constant F (CODATA 2018, exact since the 2019 SI)."""

ATOMIC_MASS_G_MOL: Final = {
    "H": 1.008,
    "B": 10.81,
    "C": 12.011,
    "N": 14.007,
    "O": 15.999,
    "Na": 22.990,
    "Mg": 24.305,
    "P": 30.974,
    "S": 32.06,
    "Cl": 35.45,
    "K": 39.098,
    "Ca": 40.078,
    "Mn": 54.938,
    "Fe": 55.845,
}
"""Abridged standard atomic weights, g/mol (IUPAC 2021; Prohaska et al. 2022)."""

CO2_G_MOL: Final = ATOMIC_MASS_G_MOL["C"] + 2 * ATOMIC_MASS_G_MOL["O"]
HCO3_G_MOL: Final = ATOMIC_MASS_G_MOL["H"] + ATOMIC_MASS_G_MOL["C"] + 3 * ATOMIC_MASS_G_MOL["O"]
NO3_G_MOL: Final = ATOMIC_MASS_G_MOL["N"] + 3 * ATOMIC_MASS_G_MOL["O"]
CAO_G_MOL: Final = ATOMIC_MASS_G_MOL["Ca"] + ATOMIC_MASS_G_MOL["O"]
CACO3_G_MOL: Final = CAO_G_MOL + CO2_G_MOL
