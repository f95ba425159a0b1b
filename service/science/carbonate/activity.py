"""Activity coefficients in dilute fresh water.

    extended Debye-Hueckel  log10 g = -A z² sqrt(I) / (1 + B a sqrt(I))
    Davies                  log10 g = -A z² (sqrt(I) / (1 + sqrt(I)) - 0.3 I)

Good to about I = 0.1 mol/L, far above any planted freshwater tank (0.002-0.015).

Sources
-------
A, B from the dielectric constant of water: Malmberg & Maryott 1956, J. Res. NBS 56:1-8;
A = 1.8248e6 sqrt(rho) (eps T)^-1.5 and B = 50.29 sqrt(rho) (eps T)^-0.5 (Stumm & Morgan 1996,
Aquatic Chemistry, 3rd ed., ch. 3; from memory).
Ion size: Truesdell & Jones 1974, J. Res. US Geol. Survey 2:233-248.
Davies 1962, Ion Association, Butterworths (from memory).
"""

from __future__ import annotations

from typing import Final, Literal

import numpy as np

from service.science.constants import CELSIUS_ZERO_K, LN10
from service.science.numeric.checks import Floats, OutOfRangeError
from service.science.numeric.polynomials import evaluate, fitted
from service.science.water.density import water_density_kg_l

ActivityModel = Literal["debye-hueckel", "davies", "none"]
ACTIVITY_MODELS: Final = ("debye-hueckel", "davies", "none")

ION_SIZE_A: Final = 5.4  # HCO3- and CO3--, ångström


def debye_hueckel_a_b(temperature_c: Floats) -> tuple[Floats, Floats]:
    """Debye-Hueckel A (log10, (L/mol)^0.5) and B (per ångström) of water at 0-50 °C."""
    t = temperature_c
    dielectric = 87.740 + t * (-0.40008 + t * (9.398e-4 - 1.410e-6 * t))
    root_density = np.sqrt(water_density_kg_l(t))
    inverse = 1.0 / (dielectric * (t + CELSIUS_ZERO_K))
    root = np.sqrt(inverse)
    return 1.8248e6 * root_density * inverse * root, 50.29 * root_density * root


_LN_A: Final = fitted(lambda t: LN10 * debye_hueckel_a_b(t)[0], degree=3)
_B_SIZE: Final = fitted(lambda t: ION_SIZE_A * debye_hueckel_a_b(t)[1], degree=3)


def ln_gamma(ionic_strength: Floats, scaled_c: Floats, model: ActivityModel) -> Floats:
    """Natural logarithm of the activity coefficient of a singly charged ion.

    Parameters
    ----------
    ionic_strength: mol/L.
    scaled_c: temperature by ``polynomials.scaled``.
    model: one of ``ACTIVITY_MODELS``.

    Returns
    -------
    broadcast shape; z² times this is the value for charge z, since the ion sizes of HCO3- and CO3--
    are equal. H+ and OH-, a small part of the alkalinity, share it.
    """
    if model == "none":
        return np.zeros(())
    root = np.sqrt(ionic_strength)
    a = evaluate(_LN_A, scaled_c)
    if model == "davies":
        return -a * (root / (1.0 + root) - 0.3 * ionic_strength)
    return -a * root / (1.0 + evaluate(_B_SIZE, scaled_c) * root)


def check_model(activity: str) -> ActivityModel:
    """Return ``activity`` if it names a model, else OutOfRangeError with the allowed names."""
    for model in ACTIVITY_MODELS:
        if activity == model:
            return model
    raise OutOfRangeError("activity", activity, ", ".join(ACTIVITY_MODELS))
