"""Stuck sensors: no movement beyond noise for longer than water stays still."""

from __future__ import annotations

from array import array
from typing import Final

from ingest.process.quality.limits import NEAR, Limits
from ingest.process.quality.resolution import Resolution

#: With fewer readings a stuck sensor cannot be distinguished from one that rarely sends.
_LEAST: Final = 12
#: For rounding.
_ALMOST: Final = 1 - 1e-6


class StuckDetector:
    """Follows the band in which each series of a quantity has stayed, and since when."""

    __slots__ = (
        "_band", "_count", "_high", "_limits", "_low", "_resolution", "_since_us", "_still_us",
        "_stuck",
    )  # fmt: skip

    def __init__(self, limits: Limits, resolution: Resolution) -> None:
        """Start without slots.

        Args:
            resolution: of the sensors; their values are given to it.
        """
        self._limits = limits
        self._band = limits.still_band
        self._still_us = int(limits.still_s * 1e6)
        self._resolution = resolution
        self._low, self._high = array("d"), array("d")
        self._since_us = array("q")
        #: Values since then; it goes no higher than ``_LEAST``.
        self._count = bytearray()
        self._stuck = bytearray()

    def add_slots(self, count: int) -> None:
        """Make room for so many series more."""
        for column in (self._low, self._high, self._since_us):
            column.frombytes(bytes(8 * count))
        self._count += bytes(count)
        self._stuck += bytes(count)

    def clear(self, slot: int) -> None:
        """Start a series anew."""
        self._count[slot] = self._stuck[slot] = 0

    def is_stuck(self, slot: int, value: float, time_us: int) -> bool:
        """Add the next value, in the order of times; whether the series has stopped moving."""
        self._resolution.add(slot, value)
        count = self._count[slot]
        low, high = self._low[slot], self._high[slot]
        if value < low:
            low = value
        if value > high:
            high = value
        if not count or high - low > self._band:
            self._low[slot] = self._high[slot] = value
            self._since_us[slot] = time_us
            self._count[slot], self._stuck[slot] = 1, 0
            return False
        self._low[slot], self._high[slot] = low, high
        if count < _LEAST:
            count += 1
            self._count[slot] = count
        if self._stuck[slot]:
            return True
        if time_us - self._since_us[slot] < self._still_us or count < _LEAST:
            return False
        stuck = not self._is_normal(slot, value, high)
        self._stuck[slot] = stuck
        return stuck

    def resume_stuck(self, slot: int) -> None:
        """Its last value was found stuck before: it is until it moves."""
        self._stuck[slot] = 1

    def _is_normal(self, slot: int, value: float, high: float) -> bool:
        """Whether a sound sensor may stay at this value."""
        limits = self._limits
        if limits.still_at_zero and high <= limits.still_band:
            return True
        if limits.still_near is not None and abs(value - limits.still_near) <= NEAR:
            return True
        return self._resolution.coarsest(slot, value) >= _ALMOST * limits.coarse[0]
