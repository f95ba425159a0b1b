"""The resolution of a sensor, recognised from its values: the least step between two of them."""

from __future__ import annotations

from typing import Final

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
    """Follows the least step that the values of one series have shown.

    Attributes:
        step: in the unit of the values; 0: it has not moved often enough to know.
    """

    __slots__ = ("_candidate", "_grids", "_last", "_seen", "step")

    def __init__(self, limits: Limits) -> None:
        low, high = limits.coarse
        self._grids = tuple(one for one in _GRIDS if low <= one <= high)
        self.step = 0.0
        self._last: float | None = None
        self._candidate = 0.0
        self._seen = 0

    def add(self, value: float) -> None:
        """Take the next value."""
        last, self._last = self._last, value
        if last is None or value == last:
            return
        moved = abs(value - last)
        if self.step and moved >= _SMALLER * self.step:
            return
        if moved > _ROUNDING * abs(value):
            self._candidate = max(self._candidate, moved) if self._seen else moved
            self._seen += 1
            if self._seen >= _SEEN:
                self.step, self._seen = self._candidate, 0

    def coarsest(self, *values: float) -> float:
        """The coarsest step that the sensor may have, as far as is known.

        Args:
            values: a series that has hardly moved yet may have any step that its values fit.
        """
        if self.step:
            return self.step
        fits = (one for one in self._grids if all(_is_multiple(value, one) for value in values))
        return next(fits, 0.0)


def _is_multiple(value: float, grid: float) -> bool:
    return abs(value - grid * round(value / grid)) <= _ROUNDING * max(abs(value), grid)
