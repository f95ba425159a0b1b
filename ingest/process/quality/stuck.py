"""Stuck sensors: no movement beyond noise for longer than water stays still."""

from __future__ import annotations

from typing import Final

from ingest.process.quality.limits import NEAR, Limits
from ingest.process.quality.resolution import Resolution

#: With fewer readings a stuck sensor cannot be distinguished from one that rarely sends.
_LEAST: Final = 12
#: For rounding.
_ALMOST: Final = 1 - 1e-6


class StuckDetector:
    """Follows the band in which a series has stayed, and since when.

    Attributes:
        resolution: of the sensor, as its values show it.
    """

    __slots__ = (
        "_count",
        "_high",
        "_limits",
        "_low",
        "_since_us",
        "_still_us",
        "_stuck",
        "resolution",
    )

    def __init__(self, limits: Limits) -> None:
        self._limits = limits
        self._still_us = int(limits.still_s * 1e6)
        self.resolution = Resolution(limits)
        self._low = self._high = 0.0
        self._since_us = 0
        self._count = 0
        self._stuck = False

    def is_stuck(self, value: float, time_us: int) -> bool:
        """Add the next value, in the order of times; whether the series has stopped moving."""
        self.resolution.add(value)
        low = value if value < self._low else self._low
        high = value if value > self._high else self._high
        if self._count == 0 or high - low > self._limits.still_band:
            self._low = self._high = value
            self._since_us = time_us
            self._count = 1
            self._stuck = False
            return False
        self._low, self._high = low, high
        self._count += 1
        if self._stuck:
            return True
        if time_us - self._since_us < self._still_us or self._count < _LEAST:
            return False
        self._stuck = not self._is_normal(value)
        return self._stuck

    def resume_stuck(self) -> None:
        """Its last value was found stuck before: it is until it moves."""
        self._stuck = True

    def _is_normal(self, value: float) -> bool:
        """Whether a sound sensor may stay at this value."""
        limits = self._limits
        if limits.still_at_zero and self._high <= limits.still_band:
            return True
        if limits.still_near is not None and abs(value - limits.still_near) <= NEAR:
            return True
        return self.resolution.coarsest(value) >= _ALMOST * limits.coarse[0]
