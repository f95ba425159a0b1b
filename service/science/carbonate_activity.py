"""Activity coefficients in dilute fresh water.

    extended Debye-Hueckel  log10 g = -A z² sqrt(I) / (1 + B a sqrt(I))
    Davies                  log10 g = -A z² (sqrt(I) / (1 + sqrt(I)) - 0.3 I)
    uncharged CO2           log10 g = 0.1 I

Good to about I = 0.1 mol/L, far above any planted freshwater tank (0.002-0.015).

Sources
-------
A, B from the dielectric constant of water: Malmberg & Maryott 1956, J. Res. NBS 56:1-8;
A = 1.8248e6 sqrt(rho) (eps T)^-1.5 and B = 50.29 sqrt(rho) (eps T)^-0.5 (Stumm & Morgan 1996,
Aquatic Chemistry, 3rd ed., ch. 3; from memory).
Ion sizes: Truesdell & Jones 1974, J. Res. US Geol. Survey 2:233-248 (HCO3-, CO3--);
Kielland 1937, J. Am. Chem. Soc. 59:1675-1678 (H+, OH-).
Davies 1962, Ion Association, Butterworths. Uncharged species 0.1 I: Parkhurst & Appelo 2013,
USGS Techniques and Methods 6-A43.
"""

from __future__ import annotations

from typing import Final, Literal, NamedTuple

import numpy as np

from service.science.constants import CELSIUS_ZERO_K, LN10
from service.science.inputs import Floats

ActivityModel = Literal["debye-hueckel", "davies", "none"]
ACTIVITY_MODELS: Final = ("debye-hueckel", "davies", "none")

ION_SIZE_CARBONATE_A: Final = 5.4  # HCO3- and CO3--, ångström
ION_SIZE_HYDROGEN_A: Final = 9.0
ION_SIZE_HYDROXIDE_A: Final = 3.5
SALTING_OUT_CO2: Final = 0.1


class LnGamma(NamedTuple):
    """Natural logarithms of the activity coefficients the carbonate balance needs."""

    bicarbonate: Floats
    carbonate: Floats
    hydrogen: Floats
    hydroxide: Floats
    co2: Floats


def debye_hueckel_a_b(temperature_c: Floats) -> tuple[Floats, Floats]:
    """Debye-Hueckel A (log10, (L/mol)^0.5) and B (per ångström) of water at 0-50 °C."""
    t = temperature_c
    dielectric = 87.740 + t * (-0.40008 + t * (9.398e-4 - 1.410e-6 * t))
    # density of water, g/mL, within 2e-4 at 0-40 °C; it enters as a square root
    root_density = 1.0 - 1.9e-6 * (t - 4.0) * (t - 4.0)
    inverse = 1.0 / (dielectric * (t + CELSIUS_ZERO_K))
    root = np.sqrt(inverse)
    return 1.8248e6 * root_density * inverse * root, 50.29 * root_density * root


def ln_gamma(ionic_strength: Floats, temperature_c: Floats, model: ActivityModel) -> LnGamma:
    """Activity coefficients at an ionic strength.

    Parameters: ``ionic_strength`` mol/L and ``temperature_c`` °C, shapes broadcast;
    ``model`` one of ``ACTIVITY_MODELS``. Returns: LnGamma.
    """
    if model == "none":
        zero = np.zeros(())
        return LnGamma(zero, zero, zero, zero, zero)
    a, b = debye_hueckel_a_b(temperature_c)
    root = np.sqrt(ionic_strength)
    co2 = (LN10 * SALTING_OUT_CO2) * ionic_strength
    if model == "davies":
        one = (-LN10 * a) * (root / (1.0 + root) - 0.3 * ionic_strength)
        return LnGamma(one, 4.0 * one, one, one, co2)
    top = (-LN10 * a) * root
    b_root = b * root
    bicarbonate = top / (1.0 + ION_SIZE_CARBONATE_A * b_root)
    return LnGamma(
        bicarbonate=bicarbonate,
        carbonate=4.0 * bicarbonate,  # same ion size, charge squared is 4
        hydrogen=top / (1.0 + ION_SIZE_HYDROGEN_A * b_root),
        hydroxide=top / (1.0 + ION_SIZE_HYDROXIDE_A * b_root),
        co2=co2,
    )


def check_model(activity: str) -> ActivityModel:
    """Return ``activity`` if it names a model, else ValueError with the allowed names."""
    for model in ACTIVITY_MODELS:
        if activity == model:
            return model
    raise ValueError(f"activity: {activity!r} is not one of {', '.join(ACTIVITY_MODELS)}")
