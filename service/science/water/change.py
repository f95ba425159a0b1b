"""Water changes: dilution, the fraction needed, and what regular changes settle at.

Each change removes a fraction of well-mixed water and replaces it: a mass balance, exact.
"""

from __future__ import annotations

from typing import Final, NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from service.science.numeric.checks import Floats, as_floats, refuse_where
from service.science.water.mix import hot_fraction, mixed_temperature_c

__all__ = [
    "SteadyState",
    "changes_for_target",
    "concentration_after_changes",
    "fraction_for_steady_state",
    "fraction_for_target",
    "hot_fraction",
    "mixed_temperature_c",
    "steady_state",
]

_REACHED: Final = "what lies between tank and new water; no water change reaches anything else"


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
    OutOfRangeError: a negative concentration or n, a fraction outside 0-1.
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
    OutOfRangeError: `target` lies outside the range from c0 to c_tap, so that no change reaches it;
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
    refuse_where(out_of_reach, "target", aim, _REACHED)
    return np.asarray(1 - left ** (1 / times))


def changes_for_target(
    c0: ArrayLike, c_tap: ArrayLike, target: ArrayLike, fraction: ArrayLike
) -> Floats:
    """Number of changes of `fraction` each after which `c0` has reached `target`, rounded up.

    Raises
    ------
    OutOfRangeError: `target` is not between c0 and c_tap (c_tap itself is never quite reached);
        a negative concentration; a fraction that is not above 0 and below 1.
    """
    before = as_floats("c0", c0, low=0)
    tap = as_floats("c_tap", c_tap, low=0)
    aim = as_floats("target", target, low=0)
    share = as_floats("fraction", fraction, above=0, below=1)
    inside = ((tap < aim) & (aim <= before)) | ((before <= aim) & (aim < tap))
    wrong = ~np.isnan(before + tap + aim) & ~(inside | (aim == before))
    refuse_where(wrong, "target", aim, _REACHED)
    span = before - tap
    left = np.divide(aim - tap, span, out=np.ones(np.broadcast(aim, span).shape), where=span != 0)
    # A change that hits the target exactly must not be rounded up to one more.
    return np.asarray(np.ceil(np.log(left) / np.log1p(-share) - 1e-9))


class SteadyState(NamedTuple):
    """Concentration right before and right after each change, once it repeats itself."""

    before: Floats
    after: Floats


def steady_state(
    c_tap: ArrayLike, fraction: ArrayLike, production_per_interval: ArrayLike
) -> SteadyState:
    """What regular changes settle at when something is made or used up between them.
    before = c_tap + p / f,  after = before - p, with p the rise from one change to the next
    (negative where plants use it up: the result is 0 once they use up all that comes).

    Shapes broadcast.

    Parameters
    ----------
    c_tap: concentration of the new water, >= 0.  fraction: changed each time, above 0, up to 1.
    production_per_interval: rise between two changes, same unit.

    Raises
    ------
    OutOfRangeError: a negative concentration, a fraction outside its range.
    """
    tap = as_floats("c_tap", c_tap, low=0)
    share = as_floats("fraction", fraction, above=0, high=1)
    rise = as_floats("production_per_interval", production_per_interval)
    before = tap + rise / share
    # Used up before the next change: what is left then is none, and a change brings f * c_tap.
    return SteadyState(
        before=np.maximum(before, 0.0),
        after=np.where(before > 0, before - rise, share * tap),
    )


def fraction_for_steady_state(
    c_tap: ArrayLike, ceiling: ArrayLike, production_per_interval: ArrayLike
) -> Floats:
    """Fraction to change each time so that a concentration never exceeds `ceiling`.

    f = p / (ceiling - c_tap). NaN where even full changes do not keep it below.

    Raises
    ------
    OutOfRangeError: a negative argument, a ceiling not above c_tap.
    """
    tap = as_floats("c_tap", c_tap, low=0)
    most = as_floats("ceiling", ceiling, low=0)
    rise = as_floats("production_per_interval", production_per_interval, low=0)
    refuse_where(most <= tap, "ceiling", most, "above that of the new water")
    share = rise / (most - tap)
    return np.asarray(np.where(share <= 1, share, np.nan))
