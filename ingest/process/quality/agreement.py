"""Redundant sensors: several of one quantity in one tank should agree."""

from __future__ import annotations

from typing import Final

from ingest.process.last_values import LastValue, with_last
from ingest.process.quality.limits import Limits

#: Readings further apart in time than this are not compared, microseconds.
_TOGETHER_US: Final = 15 * 60 * 1_000_000
#: More sensors of one quantity in one tank than this are not compared.
_SENSORS: Final = 16


class Agreement:
    """The last value of each sensor of one quantity in one tank."""

    __slots__ = ("_last",)

    def __init__(self) -> None:
        """Start without values."""
        self._last: tuple[LastValue, ...] = ()

    def disagrees(self, limits: Limits, sensor: str, value: float, time_us: int) -> bool:
        """Take a sensor's value; whether fewer than half of the others confirm it.

        Of two sensors that differ nobody knows which is wrong: both disagree. Of three the odd
        one out does.

        Args:
            limits: of the quantity; they have an ``apart``.
        """
        assert limits.apart is not None
        self._last = last = with_last(self._last, LastValue(sensor, time_us, value), _SENSORS)
        if len(last) < 2:
            return False
        apart = max(limits.apart, limits.apart_share * abs(value))
        others = confirming = 0
        for other, other_us, other_value in last:
            if other != sensor and abs(time_us - other_us) <= _TOGETHER_US:
                others += 1
                confirming += abs(value - other_value) <= apart
        return 2 * confirming < others
