"""Redundant sensors: several of one quantity in one tank should agree."""

from __future__ import annotations

from typing import Final

from ingest.process.quality.limits import Limits

#: Readings further apart in time than this are not compared, microseconds.
_TOGETHER_US: Final = 15 * 60 * 1_000_000
#: More sensors of one quantity in one tank than this are not compared.
_SENSORS: Final = 16


class Agreement:
    """The last value of each sensor of one quantity in one tank."""

    __slots__ = ("_apart", "_last", "_share")

    def __init__(self, limits: Limits) -> None:
        assert limits.apart is not None
        self._apart = limits.apart
        self._share = limits.apart_share
        self._last: dict[str, tuple[int, float]] = {}

    def disagrees(self, sensor: str, value: float, time_us: int) -> bool:
        """Take a sensor's value; whether fewer than half of the others confirm it.

        Of two sensors that differ nobody knows which is wrong: both disagree. Of three the odd
        one out does.
        """
        last = self._last
        if sensor in last or len(last) < _SENSORS:
            last[sensor] = (time_us, value)
        if len(last) < 2:
            return False
        apart = max(self._apart, self._share * abs(value))
        others = confirming = 0
        for other, (other_us, other_value) in last.items():
            if other != sensor and abs(time_us - other_us) <= _TOGETHER_US:
                others += 1
                confirming += abs(value - other_value) <= apart
        return 2 * confirming < others
