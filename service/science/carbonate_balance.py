"""The alkalinity balance itself: CO2 and its sensitivities from checked arrays.

    alkalinity = [HCO3-] + 2 [CO3--] + [OH-] - [H+]
    [CO2*]     = {H+} [HCO3-] g1 / (K1 g0)

A glass electrode is calibrated in buffers of assigned hydrogen-ion activity, so pH is
-log10 {H+} and [H+] = {H+} / g(H+). Molality and molarity differ by the density of water
(0.1-0.4 %); alkalinity and CO2 are in the same unit, so the factor cancels.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from service.science.carbonate_activity import ActivityModel, ln_gamma
from service.science.carbonate_equilibria import (
    K1_PLUMMER_BUSENBERG_1982,
    K2_PLUMMER_BUSENBERG_1982,
    KW_HARNED_OWEN_1958,
    ln_k,
    ln_k_slope,
)
from service.science.constants import CELSIUS_ZERO_K, LN10
from service.science.inputs import Floats


class Balance(NamedTuple):
    """CO2 and what it was computed from; all mol/L except the ratio."""

    co2: Floats
    carbonate_alkalinity: Floats  # [HCO3-] + 2 [CO3--]
    carbonate_ratio: Floats  # [CO3--] / [HCO3-]
    hydrogen: Floats
    hydroxide: Floats


class Sensitivity(NamedTuple):
    """Derivatives of ln CO2."""

    per_ph: Floats
    per_ln_alkalinity: Floats
    per_kelvin: Floats


def balance(
    ph: Floats,
    alkalinity: Floats,
    temperature_c: Floats,
    ionic_strength: Floats,
    model: ActivityModel,
) -> Balance:
    """Solve the balance for CO2.

    Parameters (shapes broadcast): ``ph``; ``alkalinity`` and ``ionic_strength`` mol/L;
    ``temperature_c`` °C. Returns: Balance; CO2 is NaN where the alkalinity is below what
    hydroxide alone would give at that pH (no CO2 content is consistent with the input).
    """
    temperature_k = temperature_c + CELSIUS_ZERO_K
    ln_t = np.log(temperature_k)
    ln_k1 = ln_k(K1_PLUMMER_BUSENBERG_1982, temperature_k, ln_t)
    ln_k2 = ln_k(K2_PLUMMER_BUSENBERG_1982, temperature_k, ln_t)
    ln_kw = ln_k(KW_HARNED_OWEN_1958, temperature_k, ln_t)
    gamma = ln_gamma(ionic_strength, temperature_c, model)
    ln_h = -LN10 * ph
    hydrogen = np.exp(ln_h - gamma.hydrogen)
    hydroxide = np.exp(ln_kw - ln_h - gamma.hydroxide)
    ratio = np.exp(ln_k2 - ln_h + gamma.bicarbonate - gamma.carbonate)
    carbonate_alkalinity = alkalinity + hydrogen - hydroxide
    carbonate_alkalinity = np.where(carbonate_alkalinity > 0.0, carbonate_alkalinity, np.nan)
    bicarbonate = carbonate_alkalinity / (1.0 + 2.0 * ratio)
    co2 = bicarbonate * np.exp(ln_h - ln_k1 + gamma.bicarbonate - gamma.co2)
    return Balance(co2, carbonate_alkalinity, ratio, hydrogen, hydroxide)


def sensitivity(solved: Balance, alkalinity: Floats, temperature_c: Floats) -> Sensitivity:
    """Derivatives of ln CO2 at a solved balance (activity coefficients held constant)."""
    temperature_k = temperature_c + CELSIUS_ZERO_K
    inverse_alkalinity = 1.0 / solved.carbonate_alkalinity
    share = 2.0 * solved.carbonate_ratio / (1.0 + 2.0 * solved.carbonate_ratio)
    per_ph = -LN10 * (1.0 + share + (solved.hydrogen + solved.hydroxide) * inverse_alkalinity)
    per_kelvin = (
        -ln_k_slope(K1_PLUMMER_BUSENBERG_1982, temperature_k)
        - share * ln_k_slope(K2_PLUMMER_BUSENBERG_1982, temperature_k)
        - solved.hydroxide * inverse_alkalinity * ln_k_slope(KW_HARNED_OWEN_1958, temperature_k)
    )
    return Sensitivity(per_ph, alkalinity * inverse_alkalinity, per_kelvin)
