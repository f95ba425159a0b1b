"""Equilibrium constants of the carbonate system in fresh water, infinite dilution.

    K1 = {H+}{HCO3-} / {CO2*}      K2 = {H+}{CO3--} / {HCO3-}      Kw = {H+}{OH-}

CO2* is dissolved CO2 plus the little true H2CO3 (0.2 %), what the trade calls CO2.

Sources
-------
Plummer & Busenberg 1982, Geochim. Cosmochim. Acta 46:1011-1040, doi:10.1016/0016-7037(82)90056-4:
K1, K2, KH, CaHCO3+ and CaCO3(aq), 0-90 °C.
Harned & Owen 1958, The Physical Chemistry of Electrolytic Solutions (Kw; from memory), 0-60 °C.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from service.science.constants import CELSIUS_ZERO_K, LN10
from service.science.numeric.checks import Floats

# log10 K = a + b T + c / T + d log10 T + e / T²
K1_PLUMMER_BUSENBERG_1982: Final = (-356.3094, -0.06091964, 21834.37, 126.8339, -1684915.0)
K2_PLUMMER_BUSENBERG_1982: Final = (-107.8871, -0.03252849, 5151.79, 38.92561, -563713.9)
KW_HARNED_OWEN_1958: Final = (6.0875, -0.01706, -4470.99, 0.0, 0.0)

Coefficients = tuple[float, float, float, float, float]


def ln_k(coefficients: Coefficients, temperature_c: Floats) -> Floats:
    """Natural logarithm of an equilibrium constant given as coefficients of log10 K."""
    a, b, c, d, e = coefficients
    kelvin = temperature_c + CELSIUS_ZERO_K
    ln_t = np.log(kelvin)
    return LN10 * (a + b * kelvin + c / kelvin + e / kelvin**2) + d * ln_t


def ln_k_slope(coefficients: Coefficients, temperature_c: Floats) -> Floats:
    """d ln K / dT, per kelvin."""
    _, b, c, d, e = coefficients
    kelvin = temperature_c + CELSIUS_ZERO_K
    return LN10 * (b - c / kelvin**2 - 2.0 * e / kelvin**3) + d / kelvin


def pk(coefficients: Coefficients, temperature_c: Floats) -> Floats:
    """pK = -log10 K at ``temperature_c`` (°C), same shape."""
    return -ln_k(coefficients, temperature_c) / LN10
