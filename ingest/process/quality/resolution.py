"""The resolution of a sensor, recognised from its values: the least step between two of them."""

from __future__ import annotations

import math
from array import array
from typing import Final

import numpy as np
import numpy.typing as npt

from ingest.process.quality.limits import Limits

#: Steps of sensors and displays that are coarse for some quantity, the coarsest first.
_GRIDS: Final = (10.0, 5.0, 2.0, 1.0, 0.5, 0.25, 0.2, 0.125, 0.1)
#: A step is smaller than another only below this share of it, so that rounding is none.
_SMALLER: Final = 0.7
#: So often it has to be seen: once may be another calibration.
_SEEN: Final = 3
#: Rounding of a unit's conversion is no step: share of the value.
_ROUNDING: Final = 1e-6


class Resolution:
    """Follows the least step that the values of each series of a quantity have shown."""

    __slots__ = ("_candidate", "_grids", "_last", "_seen", "_step")

    def __init__(self, limits: Limits) -> None:
        """Start without slots."""
        low, high = limits.coarse
        self._grids = tuple(one for one in _GRIDS if low <= one <= high)
        #: In the unit of the values; 0: it has not moved often enough to know.
        self._step = array("d")
        self._last = array("d")
        self._candidate = array("d")
        self._seen = bytearray()

    def add_slots(self, count: int) -> None:
        """Make room for so many series more."""
        for column in (self._step, self._last, self._candidate):
            column.frombytes(bytes(8 * count))
        self._seen += bytes(count)

    def clear(self, slot: int) -> None:
        """Start a series anew."""
        self._step[slot] = self._candidate[slot] = 0.0
        self._last[slot] = math.nan
        self._seen[slot] = 0

    def add(self, slot: int, value: float) -> None:
        """Take the next value."""
        last, step = self._last[slot], self._step[slot]
        self._last[slot] = value
        moved = abs(value - last)
        if not moved > 0.0 or (step and moved >= _SMALLER * step):
            return  # nor from NaN, which is before the first value
        if moved > _ROUNDING * abs(value):
            seen = self._seen[slot]
            self._candidate[slot] = max(self._candidate[slot], moved) if seen else moved
            self._seen[slot] = seen + 1
            if seen + 1 >= _SEEN:
                self._step[slot], self._seen[slot] = self._candidate[slot], 0

    def add_all(self, slot: int, values: npt.NDArray[np.float64]) -> None:
        """Take the next values."""
        step = self._step[slot]
        moved = np.abs(np.diff(values, prepend=self._last[slot]))
        finer = (moved > 0.0) & (moved > _ROUNDING * np.abs(values))
        if step:
            finer &= moved < _SMALLER * step
        for index in np.flatnonzero(finer).tolist():
            if index:
                self._last[slot] = values[index - 1]
            self.add(slot, float(values[index]))
        if len(values):
            self._last[slot] = values[-1]

    def coarsest(self, slot: int, *values: float) -> float:
        """The coarsest step that the sensor may have, as far as is known.

        Args:
            values: a series that has hardly moved yet may have any step that its values fit.
        """
        step = self._step[slot]
        if step:
            return step
        fits = (one for one in self._grids if all(_is_multiple(value, one) for value in values))
        return next(fits, 0.0)


def _is_multiple(value: float, grid: float) -> bool:
    return abs(value - grid * round(value / grid)) <= _ROUNDING * max(abs(value), grid)
