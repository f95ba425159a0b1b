"""The alkalinity balance itself: CO2 and its sensitivities from checked arrays.

    alkalinity = [HCO3-] (1 + b) + 2 [CO3--] (1 + c) + [OH-] - [H+]
    [CO2*]     = {H+} [HCO3-] g1 / (K1 g0)

with b and c the parts bound to calcium and magnesium, g1 the activity coefficient of a singly
charged ion, g1^4 that of a doubly charged one, and log10 g0 = 0.1 I for CO2 (Parkhurst & Appelo
2013). A glass electrode is calibrated in buffers of assigned hydrogen-ion activity, so pH is
-log10 {H+} and [H+] = {H+} / g1. Molality and molarity differ by the density of water
(0.1-0.4 %); alkalinity and CO2 are in the same unit, so the factor cancels.
"""

from __future__ import annotations

from typing import Final, NamedTuple

import numpy as np

from service.science.carbonate.activity import ActivityModel, ln_gamma
from service.science.carbonate.equilibrium import (
    K1_PLUMMER_BUSENBERG_1982,
    K2_PLUMMER_BUSENBERG_1982,
    KW_HARNED_OWEN_1958,
    ln_k,
    ln_k_slope,
)
from service.science.carbonate.ions import Ions, pair_constants
from service.science.constants import LN10
from service.science.numeric.checks import Floats
from service.science.numeric.polynomials import evaluate, fitted, scaled

SALTING_OUT_CO2: Final = 0.1

_PER_K1: Final = fitted(lambda t: np.exp(-ln_k(K1_PLUMMER_BUSENBERG_1982, t)))
_TWICE_K2: Final = fitted(lambda t: 2.0 * np.exp(ln_k(K2_PLUMMER_BUSENBERG_1982, t)))
_KW: Final = fitted(lambda t: np.exp(ln_k(KW_HARNED_OWEN_1958, t)))
_K1_SLOPE: Final = fitted(lambda t: ln_k_slope(K1_PLUMMER_BUSENBERG_1982, t), degree=3)
# at 25 °C: good enough at all temperatures for two terms that matter only above pH 8
_K2_SLOPE: Final = float(ln_k_slope(K2_PLUMMER_BUSENBERG_1982, np.asarray(25.0)))
_KW_SLOPE: Final = float(ln_k_slope(KW_HARNED_OWEN_1958, np.asarray(25.0)))


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


def balance(
    ph: Floats, alkalinity: Floats, temperature_c: Floats, present: Ions, model: ActivityModel
) -> Balance:
    """Solve the balance for CO2.

    Shapes broadcast.

    Parameters
    ----------
    ph: 2-12, activity scale.
    alkalinity: mol/L.
    temperature_c: °C, 0-50.
    present: ionic strength and hardness.

    Returns
    -------
    Balance; CO2 is NaN where the alkalinity is below what hydroxide alone would give at that pH (no
    CO2 content fits the input).
    """
    x = scaled(temperature_c)
    ln_g1 = ln_gamma(present.strength, x, model)
    g2 = np.exp(2.0 * ln_g1)  # g1²
    hydrogen = np.exp(-LN10 * ph - ln_g1)
    hydroxide = evaluate(_KW, x) / (g2 * hydrogen)
    g4 = g2 * g2
    twice_ratio = evaluate(_TWICE_K2, x) / (g4 * hydrogen)  # 2 [CO3--] / [HCO3-]
    one: Floats | float = 1.0
    if present.hardness is not None:
        # the pairs' own activity coefficients are those of bicarbonate and of CO2
        divalent = g4 * present.hardness
        with_bicarbonate, with_carbonate = pair_constants(temperature_c)
        one = 1.0 + with_bicarbonate * divalent
        twice_ratio = twice_ratio * (1.0 + with_carbonate * g4 * divalent)
    carbonate_alkalinity = alkalinity + hydrogen - hydroxide
    impossible = carbonate_alkalinity <= 0.0
    if impossible.any():
        carbonate_alkalinity = np.where(impossible, np.nan, carbonate_alkalinity)
    inverse = 1.0 / (one + twice_ratio)
    co2 = carbonate_alkalinity * inverse * hydrogen * g2 * evaluate(_PER_K1, x)
    if model != "none":
        # 10^(-0.1 I), to 3e-6 at I = 0.01
        co2 = co2 / (1.0 + (LN10 * SALTING_OUT_CO2) * present.strength)
    return Balance(co2, carbonate_alkalinity, twice_ratio * inverse, hydrogen, hydroxide)


def sensitivity(solved: Balance, temperature_c: Floats) -> Sensitivity:
    """Derivatives of ln CO2 at a solved balance (activity coefficients held constant)."""
    inverse = 1.0 / solved.carbonate_alkalinity
    hydroxide = solved.hydroxide * inverse
    share = solved.carbonate_share
    per_ph = -LN10 * (1.0 + share + solved.hydrogen * inverse + hydroxide)
    slope = evaluate(_K1_SLOPE, scaled(temperature_c))
    per_kelvin = -slope - _K2_SLOPE * share - _KW_SLOPE * hydroxide
    return Sensitivity(per_ph, inverse, per_kelvin)
