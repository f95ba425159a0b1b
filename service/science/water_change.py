"""Water changes: dilution, the fraction needed, and water mixed to a temperature.

Each change removes a fraction of well-mixed water and replaces it: a mass balance, exact.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from service.science.inputs import Floats, as_floats, refuse_where


def concentration_after_changes(
    c0: ArrayLike, c_tap: ArrayLike, fraction: ArrayLike, n: ArrayLike = 1
) -> Floats:
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
    before = as_floats("c0", c0, low=0)
    tap = as_floats("c_tap", c_tap, low=0)
    left = 1 - as_floats("fraction", fraction, low=0, high=1)
    return np.asarray(tap + (before - tap) * left ** as_floats("n", n, low=0))


def fraction_for_target(
    c0: ArrayLike, c_tap: ArrayLike, target: ArrayLike, n: ArrayLike = 1
) -> Floats:
    """Fraction to replace in each of `n` equal changes to bring `c0` to `target`.

    The inverse of `concentration_after_changes`; 0 where `target` equals `c0`.

    Raises
    ------
    ValueError: `target` lies outside the range from c0 to c_tap, so that no change reaches it;
        a negative concentration; n not positive.
    """
    before = as_floats("c0", c0, low=0)
    tap = as_floats("c_tap", c_tap, low=0)
    aim = as_floats("target", target, low=0)
    times = as_floats("n", n, above=0)
    span = before - tap
    same = aim == before
    left = np.divide(
        aim - tap, span, out=np.full(np.broadcast(aim, span).shape, np.nan), where=span != 0
    )
    left = np.where(same, 1.0, left)
    unknown = np.isnan(before + tap + aim)
    out_of_reach = ~unknown & ~((left >= 0) & (left <= 1))
    refuse_where(out_of_reach, "target", aim, "c0 to c_tap: no water change reaches it")
    return np.asarray(1 - left ** (1 / times))


def mixed_temperature_c(
    fraction: ArrayLike, temperature_c: ArrayLike, other_temperature_c: ArrayLike
) -> Floats:
    """Temperature of a mix of which `fraction` (0-1) is at `temperature_c`, the rest at the other.

    Heat balance with equal heat capacities, no loss to vessel or air; °C.
    """
    share = as_floats("fraction", fraction, low=0, high=1)
    one = as_floats("temperature_c", temperature_c, low=0, high=100)
    other = as_floats("other_temperature_c", other_temperature_c, low=0, high=100)
    return np.asarray(share * one + (1 - share) * other)


def hot_fraction(target_c: ArrayLike, cold_c: ArrayLike, hot_c: ArrayLike) -> Floats:
    """Share of hot water in a mix of cold and hot that comes out at `target_c`.

    Raises
    ------
    ValueError: hot not warmer than cold, or a target that the two cannot reach.
    """
    cold = as_floats("cold_c", cold_c, low=0, high=100)
    hot = as_floats("hot_c", hot_c, low=0, high=100)
    aim = as_floats("target_c", target_c, low=0, high=100)
    refuse_where(hot <= cold, "hot_c", hot, "what is warmer than cold_c")
    refuse_where((aim < cold) | (aim > hot), "target_c", aim, "cold_c to hot_c")
    return np.asarray((aim - cold) / (hot - cold))
