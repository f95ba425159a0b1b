"""The alkalinity balance itself: CO2 and its sensitivities from checked arrays.

    alkalinity = [HCO3-] (1 + b) + 2 [CO3--] (1 + c) + [OH-] - [H+]
    [CO2*]     = {H+} [HCO3-] g1 / (K1 g0)

with b and c the parts bound to calcium and magnesium. A glass electrode is calibrated in
buffers of assigned hydrogen-ion activity, so pH is -log10 {H+} and [H+] = {H+} / g(H+).
Molality and molarity differ by the density of water (0.1-0.4 %); alkalinity and CO2 are in the
same unit, so the factor cancels.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from service.science.carbonate_activity import ActivityModel, ln_gamma
from service.science.carbonate_equilibria import (
    K1_PLUMMER_BUSENBERG_1982,
    K2_PLUMMER_BUSENBERG_1982,
    KW_HARNED_OWEN_1958,
    Warmth,
    ln_k,
    ln_k_slope,
)
from service.science.carbonate_equilibria import warmth as warmth_of
from service.science.carbonate_ions import Ions, pair_constants
from service.science.constants import LN10
from service.science.inputs import Floats


class Balance(NamedTuple):
    """CO2 and what it was computed from; mol/L except the share."""

    co2: Floats
    carbonate_alkalinity: Floats  # alkalinity without hydroxide and hydrogen
    carbonate_share: Floats  # of that, the part that is CO3--
    hydrogen: Floats
    hydroxide: Floats


class Sensitivity(NamedTuple):
    """Derivatives of ln CO2."""

    per_ph: Floats
    per_alkalinity: Floats  # L/mol
    per_kelvin: Floats


# d ln K / dT at 25 °C: good enough at all temperatures for two terms that matter only above pH 8
_K2_SLOPE_25_C = float(ln_k_slope(K2_PLUMMER_BUSENBERG_1982, warmth_of(np.asarray(25.0))))
_KW_SLOPE_25_C = float(ln_k_slope(KW_HARNED_OWEN_1958, warmth_of(np.asarray(25.0))))


def balance(
    ph: Floats, alkalinity: Floats, warmth: Warmth, present: Ions, model: ActivityModel
) -> Balance:
    """Solve the balance for CO2.

    Parameters (shapes broadcast): ``ph``; ``alkalinity`` mol/L; ``warmth`` the temperature;
    ``present`` ionic strength and hardness. Returns: Balance; CO2 is NaN where the alkalinity
    is below what hydroxide alone would give at that pH (no CO2 content fits the input).
    """
    gamma = ln_gamma(present.strength, warmth.celsius, model)
    ln_h = -LN10 * ph
    hydrogen = np.exp(ln_h - gamma.hydrogen)
    hydroxide = np.exp(ln_k(KW_HARNED_OWEN_1958, warmth) - ln_h - gamma.hydroxide)
    ln_k2 = ln_k(K2_PLUMMER_BUSENBERG_1982, warmth)
    twice_ratio = 2.0 * np.exp(ln_k2 - ln_h + (gamma.bicarbonate - gamma.carbonate))
    one: Floats | float = 1.0
    if present.hardness is not None:
        # the pairs' own activity coefficients are those of bicarbonate and of CO2
        divalent_gamma = np.exp(gamma.carbonate)
        divalent = divalent_gamma * present.hardness
        with_bicarbonate, with_carbonate = pair_constants(warmth.celsius)
        one = 1.0 + with_bicarbonate * divalent
        twice_ratio = twice_ratio * (1.0 + with_carbonate * divalent_gamma * divalent)
    carbonate_alkalinity = alkalinity + hydrogen - hydroxide
    impossible = carbonate_alkalinity <= 0.0
    if np.any(impossible):
        carbonate_alkalinity = np.where(impossible, np.nan, carbonate_alkalinity)
    inverse = 1.0 / (one + twice_ratio)
    ln_k1 = ln_k(K1_PLUMMER_BUSENBERG_1982, warmth)
    per_bicarbonate = np.exp(ln_h - ln_k1 + (gamma.bicarbonate - gamma.co2))
    co2 = carbonate_alkalinity * inverse * per_bicarbonate
    return Balance(co2, carbonate_alkalinity, twice_ratio * inverse, hydrogen, hydroxide)


def sensitivity(solved: Balance, warmth: Warmth) -> Sensitivity:
    """Derivatives of ln CO2 at a solved balance (activity coefficients held constant)."""
    inverse = 1.0 / solved.carbonate_alkalinity
    hydroxide = solved.hydroxide * inverse
    per_ph = -LN10 * (1.0 + solved.carbonate_share + solved.hydrogen * inverse + hydroxide)
    per_kelvin = (
        -ln_k_slope(K1_PLUMMER_BUSENBERG_1982, warmth)
        - _K2_SLOPE_25_C * solved.carbonate_share
        - _KW_SLOPE_25_C * hydroxide
    )
    return Sensitivity(per_ph, inverse, per_kelvin)
