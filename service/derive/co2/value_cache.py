"""CO2 at the samples of a tank, computed again only where what it is computed from has changed.

The key of a value is all that it is computed from, compared itself and not by a digest: the water
at its sample, bit by bit, and tank, log, history of the probe and nutrients, which all samples
share. Each value hangs on its own sample alone (``co2_of``).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from service.derive.co2.series import Co2Basis, Water, basis_at, co2_of, empty_series, water_at
from service.derive.inputs import Inputs
from service.derive.models.co2 import Array, Co2Series


@dataclass(frozen=True, slots=True)
class _Known:
    """CO2 as it was computed last, and what from."""

    basis: Co2Basis
    water: Water
    co2: Co2Series


class Co2ValueCache:
    """CO2 at the samples of one tank; not for several threads at a time."""

    def __init__(self) -> None:
        """Empty at first."""
        self._known: _Known | None = None

    def series(self, inputs: Inputs) -> Co2Series:
        """As ``co2_series``."""
        ph = inputs.series("ph")
        if not len(ph):
            self._known = None
            return empty_series()
        others = (inputs.series(one) for one in ("temperature", "conductivity"))
        water = water_at(inputs.tank, ph, *others)
        basis = basis_at(inputs.tank, inputs.log, int(ph.time_us[-1]), inputs.ph_probe)
        found = Co2Series(ph.time_us, *self._values(water, basis))
        for one in (found.value, found.low, found.high):
            one.setflags(write=False)  # whoever has the view must not change what is known here
        self._known = _Known(basis, water, found)
        return found

    def _values(self, water: Water, basis: Co2Basis) -> tuple[Array, Array, Array]:
        """CO2 with its interval, taken from what is known as far as it is of the same."""
        known = self._known
        if known is None or known.basis != basis:
            return co2_of(water, basis)
        # one of the two starts earlier, as where a fit needs more days than a view
        first = int(known.water.time_us.searchsorted(water.time_us[0]))
        lead = int(water.time_us.searchsorted(known.water.time_us[0]))
        both = min(len(known.water.time_us) - first, len(water.time_us) - lead)
        before, here = slice(first, first + both), slice(lead, lead + both)
        new = np.ones(len(water.time_us), np.bool_)
        new[here] = _differ(known.water, before, water, here)
        values = []
        for one in (known.co2.value, known.co2.low, known.co2.high):
            whole = np.empty(len(new))
            whole[here] = one[before]
            values.append(whole)
        if new.any():
            for whole, part in zip(values, co2_of(water.at(new), basis), strict=True):
                whole[new] = part
        value, low, high = values
        return value, low, high


def _differ(one: Water, at_one: slice, other: Water, at_other: slice) -> npt.NDArray[np.bool_]:
    """Where two stretches of water are not the same in all, bit by bit: NaN is like NaN."""
    differs: npt.NDArray[np.bool_] = one.time_us[at_one] != other.time_us[at_other]
    differs |= one.measured[at_one] != other.measured[at_other]
    for name in ("ph", "celsius", "us_cm"):
        a, b = getattr(one, name)[at_one], getattr(other, name)[at_other]
        differs |= a.view(np.int64) != b.view(np.int64)
    return differs
