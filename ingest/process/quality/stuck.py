"""Stuck sensors: no movement beyond noise for longer than water stays still."""

from __future__ import annotations

from array import array
from itertools import pairwise
from typing import Final

import numpy as np
import numpy.typing as npt

from ingest.process.quality.limits import NEAR, Limits
from ingest.process.quality.resolution import Resolution

#: With fewer readings a stuck sensor cannot be distinguished from one that rarely sends.
_LEAST: Final = 12
#: More values than these are looked at together before they are one by one.
_MANY: Final = 32
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
            self._begin(slot, value, time_us)
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

    def stuck_of(
        self, slot: int, values: npt.NDArray[np.float64], times_us: npt.NDArray[np.int64]
    ) -> list[int]:
        """Add the next values, in the order of times; the places of those found stuck.

        A value that is further from the one before than the band begins a new band; so only
        where as many as a stuck sensor has are near to each other they are compared one by one.
        """
        count = len(values)
        begins = [0, *(np.flatnonzero(np.abs(np.diff(values)) > self._band) + 1).tolist(), count]
        numbers, times = values.tolist(), times_us.tolist()
        found: list[int] = []
        for begin, end in pairwise(begins):
            if end - begin < _LEAST and begin > 0 and end < count:
                continue
            if begin:
                self._begin(slot, numbers[begin], times[begin])
            places = range(begin + bool(begin), end)
            if len(places) > _MANY and self._stays(
                slot, values[places.start : end], times[end - 1]
            ):
                continue
            judged = self._within(slot, numbers, times, places, found)
            if judged < end:
                # whether it is normal to stay there depends on the steps that were seen so far
                self._resolution.add_all(slot, values[:judged])
                rest = range(judged, count)
                found += [n for n in rest if self.is_stuck(slot, numbers[n], times[n])]
                return found
        self._resolution.add_all(slot, values)
        return found

    def _begin(self, slot: int, value: float, time_us: int) -> None:
        """Begin a new band."""
        self._low[slot] = self._high[slot] = value
        self._since_us[slot] = time_us
        self._count[slot], self._stuck[slot] = 1, 0

    def _stays(self, slot: int, values: npt.NDArray[np.float64], last_us: int) -> bool:
        """Take values that stay within the band, and not for so long that one may be stuck."""
        low = min(self._low[slot], float(values.min()))
        high = max(self._high[slot], float(values.max()))
        count, since_us = self._count[slot], self._since_us[slot]
        if not count or high - low > self._band:
            return False
        if self._stuck[slot] or last_us - since_us >= self._still_us:
            return False
        self._low[slot], self._high[slot] = low, high
        self._count[slot] = min(count + len(values), _LEAST)
        return True

    def _within(
        self, slot: int, values: list[float], times_us: list[int], places: range, found: list[int]
    ) -> int:
        """Follow values until one may have become stuck; its place, else the end of all."""
        low, high, since_us = self._low[slot], self._high[slot], self._since_us[slot]
        count, stuck = self._count[slot], bool(self._stuck[slot])
        band, still_us = self._band, self._still_us
        place = places.stop
        for n in places:
            value = values[n]
            lowest, highest = min(low, value), max(high, value)
            if not count or highest - lowest > band:
                low = high = value
                since_us, count, stuck = times_us[n], 1, False
                continue
            if stuck:
                found.append(n)
            elif times_us[n] - since_us >= still_us and count + 1 >= _LEAST:
                place = n
                break
            low, high, count = lowest, highest, count + 1
        self._low[slot], self._high[slot], self._since_us[slot] = low, high, since_us
        self._count[slot], self._stuck[slot] = min(count, _LEAST), stuck
        return place

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
