"""The checks of one quantity, and what they remember of its series: a row of columns for each."""

from __future__ import annotations

from typing import Final

from ingest.process.quality.limits import LIMITS
from ingest.process.quality.outliers import Outliers
from ingest.process.quality.resolution import Resolution
from ingest.process.quality.spike import WINDOW
from ingest.process.quality.stuck import StuckDetector
from ingest.process.quality.windows import Windows
from service.quantities import QUANTITIES

#: Rows that are added at once.
_ROWS: Final = 64


class Checks:
    """The checks of one quantity; each series has a slot, which is its row in all columns.

    Attributes:
        limits: of the quantity.
        low, high: the plausible range.
        stuck, outliers: the checks; None: jumps are normal.
        recent_us: device times of the last readings of each series.
    """

    __slots__ = ("_free", "_resolution", "_rows", "high", "limits", "low", "outliers", "recent_us",
                 "stuck")  # fmt: skip

    def __init__(self, quantity: str) -> None:
        """Start without series."""
        self.limits = limits = LIMITS[quantity]
        self.low = QUANTITIES[quantity].plausible_low
        self.high = QUANTITIES[quantity].plausible_high
        self._resolution = Resolution(limits)
        self.stuck = StuckDetector(limits, self._resolution)
        self.outliers = None if limits.step is None else Outliers(limits, self._resolution)
        self.recent_us: Windows[int] = Windows("q", WINDOW)
        self._rows = 0
        self._free: list[int] = []

    def take_slot(self) -> int:
        """A slot for a series that is new here."""
        if not self._free:
            self._resolution.add_slots(_ROWS)
            self.stuck.add_slots(_ROWS)
            self.recent_us.add_slots(_ROWS)
            if self.outliers is not None:
                self.outliers.add_slots(_ROWS)
            self._free = list(range(self._rows + _ROWS - 1, self._rows - 1, -1))
            self._rows += _ROWS
        slot = self._free.pop()
        self.clear(slot)
        return slot

    def free_slot(self, slot: int) -> None:
        """The series of a slot is forgotten: another one may have it."""
        self.clear(slot)
        self._free.append(slot)

    def clear(self, slot: int) -> None:
        """Start a series anew."""
        self._resolution.clear(slot)
        self.stuck.clear(slot)
        self.recent_us.clear(slot)
        if self.outliers is not None:
            self.outliers.clear(slot)
