"""What a water change does to KH, CO2 and pH at once.

Alkalinity and inorganic carbon (CO2 + HCO3- + CO3--) mix in proportion; pH and CO2 follow from
their sum. That is the moment after mixing: gas exchange and injection then move CO2 on.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from service.science.carbonate.inputs import (
    CO2_MG_PER_MOL,
    PH_RANGE,
    checked_alkalinity,
    checked_ph,
    checked_temperature,
    evidence,
)
from service.science.carbonate.ions import checked_gh
from service.science.numeric.checks import Floats, OutOfRangeError, as_floats


@dataclass(frozen=True)
class MixedWater:
    """The tank right after a change: arrays of one shape. `gh_meq_l` None if not given."""

    ph: Floats
    alkalinity_meq_l: Floats
    co2_mg_l: Floats
    temperature_c: Floats
    gh_meq_l: Floats | None


class _Water(NamedTuple):
    alkalinity_meq_l: Floats
    temperature_c: Floats
    gh_meq_l: Floats | None


def water_after_change(
    ph: ArrayLike,
    alkalinity_meq_l: ArrayLike,
    temperature_c: ArrayLike,
    *,
    new_ph: ArrayLike,
    new_alkalinity_meq_l: ArrayLike,
    new_temperature_c: ArrayLike,
    fraction: ArrayLike,
    gh_meq_l: ArrayLike | None = None,
    new_gh_meq_l: ArrayLike | None = None,
) -> MixedWater:
    """Mix a tank with `fraction` of new water.
    Shapes broadcast.

    Parameters
    ----------
    ph, alkalinity_meq_l, temperature_c: the tank before: pH 2-12, meq/L 0-50, °C 0-50.
    new_ph, new_alkalinity_meq_l, new_temperature_c: the new water as it goes in. Tap water drawn
        under pressure may still lose CO2: measure it after standing or stirring.
    fraction: share of the tank that is replaced, 0-1.
    gh_meq_l, new_gh_meq_l: hardness of both, which refines the activities; both or none.

    Returns
    -------
    MixedWater; NaN where an input is NaN or no pH in 2-12 fits.

    Raises
    ------
    OutOfRangeError: an argument outside its range, or one hardness without the other.
    """
    share = as_floats("fraction", fraction, low=0, high=1)
    if (gh_meq_l is None) != (new_gh_meq_l is None):
        missing = "gh_meq_l" if gh_meq_l is None else "new_gh_meq_l"
        raise OutOfRangeError(missing, None, "the GH of both waters, or of neither")
    before = _Water(
        checked_alkalinity(alkalinity_meq_l),
        checked_temperature(temperature_c),
        checked_gh(gh_meq_l),
    )
    new = _Water(
        as_floats("new_alkalinity_meq_l", new_alkalinity_meq_l, low=0, high=50, unit="meq/L"),
        checked_temperature(new_temperature_c, "new_temperature_c"),
        checked_gh(new_gh_meq_l),
    )

    def mix(old: Floats, fresh: Floats) -> Floats:
        return np.asarray((1 - share) * old + share * fresh)

    carbon = mix(_carbon(checked_ph(ph), before)[1], _carbon(checked_ph(new_ph, "new_ph"), new)[1])
    mixed = _Water(
        mix(before.alkalinity_meq_l, new.alkalinity_meq_l),
        mix(before.temperature_c, new.temperature_c),
        None
        if before.gh_meq_l is None or new.gh_meq_l is None
        else mix(before.gh_meq_l, new.gh_meq_l),
    )
    after_ph = _ph_of_carbon(carbon, mixed)
    co2 = _carbon(after_ph, mixed)[0] * CO2_MG_PER_MOL
    shape = after_ph.shape
    return MixedWater(
        ph=after_ph,
        alkalinity_meq_l=np.broadcast_to(mixed.alkalinity_meq_l, shape),
        co2_mg_l=np.asarray(co2),
        temperature_c=np.broadcast_to(mixed.temperature_c, shape),
        gh_meq_l=None if mixed.gh_meq_l is None else np.broadcast_to(mixed.gh_meq_l, shape),
    )


def _carbon(ph: Floats, water: _Water) -> tuple[Floats, Floats]:
    """CO2 and total inorganic carbon, mol/L, of a water at a pH."""
    known = evidence(None, water.gh_meq_l, None, "debye-hueckel")
    solved = known.solve(ph, water.alkalinity_meq_l, water.temperature_c, known.arrays)
    # Each carbonate ion carries two equivalents of alkalinity, each bicarbonate one.
    ions = solved.carbonate_alkalinity * (1 - solved.carbonate_share / 2)
    return solved.co2, np.asarray(solved.co2 + ions)


def _ph_of_carbon(carbon: Floats, water: _Water) -> Floats:
    """pH at which the water holds this much inorganic carbon, by bisection."""
    shape = np.broadcast_shapes(
        carbon.shape, water.alkalinity_meq_l.shape, water.temperature_c.shape
    )
    low, high = np.full(shape, PH_RANGE[0]), np.full(shape, PH_RANGE[1])
    for _ in range(45):
        middle = 0.5 * (low + high)
        # Carbon falls with pH; NaN (pH too high for this alkalinity) compares False.
        above = _carbon(middle, water)[1] > carbon
        low, high = np.where(above, middle, low), np.where(above, high, middle)
    ph = 0.5 * (low + high)
    at_edge = (ph < PH_RANGE[0] + 1e-9) | (ph > PH_RANGE[1] - 1e-9)
    missing = np.isnan(carbon + water.alkalinity_meq_l + water.temperature_c)
    return np.where(missing | at_edge, np.nan, ph)
