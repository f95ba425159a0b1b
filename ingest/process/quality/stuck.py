"""Stuck sensors: no movement beyond noise for longer than water stays still."""

from __future__ import annotations

from typing import Final

from ingest.process.quality.limits import Limits

#: With fewer readings a stuck sensor cannot be distinguished from one that rarely sends.
_LEAST: Final = 12


class StuckDetector:
    """Follows the band in which a series has stayed, and since when."""

    __slots__ = ("_band", "_count", "_high", "_low", "_since_us", "_still_us", "_zero_is_normal")

    def __init__(self, limits: Limits) -> None:
        self._band = limits.still_band
        self._still_us = int(limits.still_s * 1e6)
        self._zero_is_normal = limits.still_at_zero
        self._low = self._high = 0.0
        self._since_us = 0
        self._count = 0

    def is_stuck(self, value: float, time_us: int) -> bool:
        """Add the next value, in the order of times; whether the series has stopped moving."""
        low = value if value < self._low else self._low
        high = value if value > self._high else self._high
        if self._count == 0 or high - low > self._band:
            self._low = self._high = value
            self._since_us = time_us
            self._count = 1
            return False
        self._low, self._high = low, high
        self._count += 1
        if time_us - self._since_us < self._still_us or self._count < _LEAST:
            return False
        return not (self._zero_is_normal and high <= self._band)
