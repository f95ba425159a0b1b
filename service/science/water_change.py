"""Water changes: dilution, the fraction needed, and water mixed to a temperature.

Each change removes a fraction of well-mixed water and replaces it: a mass balance, exact.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from service.science.bounds import FloatArray, within


def concentration_after_changes(
    c0: ArrayLike, c_tap: ArrayLike, fraction: ArrayLike, n: ArrayLike = 1
) -> FloatArray:
    """Concentration after `n` changes of `fraction` each.

    c = c_tap + (c0 - c_tap) (1 - fraction)^n, for anything that mixes in proportion: mg/L of
    an ion, KH, GH, conductivity as a good approximation; not pH.

    Parameters
    ----------
    c0: concentration before, any unit.  c_tap: that of the new water, same unit. Both >= 0.
    fraction: share of the water replaced each time, 0-1.  n: number of changes, >= 0.

    Raises
    ------
    ValueError: a negative concentration or n, a fraction outside 0-1.
    """
    before = within("c0", c0, at_least=0)
    tap = within("c_tap", c_tap, at_least=0)
    left = 1 - within("fraction", fraction, at_least=0, at_most=1)
    return np.asarray(tap + (before - tap) * left ** within("n", n, at_least=0))


def fraction_for_target(
    c0: ArrayLike, c_tap: ArrayLike, target: ArrayLike, n: ArrayLike = 1
) -> FloatArray:
    """Fraction to replace in each of `n` equal changes to bring `c0` to `target`.

    The inverse of `concentration_after_changes`; 0 where `target` equals `c0`.

    Raises
    ------
    ValueError: `target` lies outside the range from c0 to c_tap, so that no change reaches it;
        a negative concentration; n not positive.
    """
    before = within("c0", c0, at_least=0)
    tap = within("c_tap", c_tap, at_least=0)
    aim = within("target", target, at_least=0)
    times = within("n", n, above=0)
    span = before - tap
    same = aim == before
    left = np.divide(
        aim - tap, span, out=np.full(np.broadcast(aim, span).shape, np.nan), where=span != 0
    )
    left = np.where(same, 1.0, left)
    unknown = np.isnan(before) | np.isnan(tap) | np.isnan(aim)
    wrong = ~unknown & ~((left >= 0) & (left <= 1))
    if np.any(wrong):
        b, t, a = (float(x[wrong][0]) for x in np.broadcast_arrays(before, tap, aim))
        raise ValueError(f"target is {a:g}; allowed: between c0 ({b:g}) and c_tap ({t:g})")
    return np.asarray(1 - left ** (1 / times))


def mixed_temperature_c(
    fraction: ArrayLike, temperature_c: ArrayLike, other_temperature_c: ArrayLike
) -> FloatArray:
    """Temperature of a mix of which `fraction` (0-1) is at `temperature_c`, the rest at the other.

    Heat balance with equal heat capacities, no loss to vessel or air; °C.
    """
    share = within("fraction", fraction, at_least=0, at_most=1)
    one = within("temperature_c", temperature_c, at_least=0, at_most=100)
    other = within("other_temperature_c", other_temperature_c, at_least=0, at_most=100)
    return np.asarray(share * one + (1 - share) * other)


def hot_fraction(target_c: ArrayLike, cold_c: ArrayLike, hot_c: ArrayLike) -> FloatArray:
    """Share of hot water in a mix of cold and hot that comes out at `target_c`.

    Raises
    ------
    ValueError: hot not warmer than cold, or a target that the two cannot reach.
    """
    cold = within("cold_c", cold_c, at_least=0, at_most=100)
    hot = within("hot_c", hot_c, at_least=0, at_most=100)
    aim = within("target_c", target_c, at_least=0, at_most=100)
    within("hot_c - cold_c", hot - cold, above=0)
    within("target_c - cold_c", aim - cold, at_least=0)
    within("hot_c - target_c", hot - aim, at_least=0)
    return np.asarray((aim - cold) / (hot - cold))
