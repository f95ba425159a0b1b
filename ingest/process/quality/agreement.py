"""Redundant sensors: several of one quantity in one tank should agree."""

from __future__ import annotations

from typing import Final

from ingest.process.last_values import LastValues
from ingest.process.quality.limits import Limits

#: Readings further apart in time than this are not compared, microseconds.
_TOGETHER_US: Final = 15 * 60 * 1_000_000
#: More sensors of one quantity in one tank than this are not compared.
_SENSORS: Final = 16


class Agreement(LastValues):
    """The last value of each sensor of one quantity in one tank."""

    __slots__ = ()

    def is_alone(self, sensor: str) -> bool:
        """Whether a sensor is the only one so far, or would be."""
        return all(one.sensor == sensor for one in self)

    def disagrees(self, limits: Limits, sensor: str, value: float, time_us: int) -> bool:
        """Take a sensor's value; whether fewer than half of the others confirm it.

        Of two sensors that differ nobody knows which is wrong: both disagree. Of three the odd
        one out does.

        Args:
            limits: of the quantity; they have an ``apart``.
        """
        assert limits.apart is not None
        self.put(sensor, time_us, value, _SENSORS)
        if self._others is None:
            return False
        apart = max(limits.apart, limits.apart_share * abs(value))
        others = confirming = 0
        for other, other_us, other_value in self:
            if other != sensor and abs(time_us - other_us) <= _TOGETHER_US:
                others += 1
                confirming += abs(value - other_value) <= apart
        return 2 * confirming < others
