"""Short excursions: values that jump away from a series and jump back to where it was.

Known only afterwards, from the values on both sides, so that far smaller ones are found than a
value alone shows on arrival: water moves steadily or stays where it went, a disturbed sensor
jumps twice.
"""

from __future__ import annotations

from array import array
from collections.abc import Sequence
from enum import IntEnum
from itertools import pairwise
from statistics import median
from typing import Final

from ingest.process.quality.limits import Limits
from ingest.process.quality.resolution import Resolution
from ingest.process.quality.spike import WINDOW
from service.store import Reading

#: Values whose differences give the local scale; fewer than ``_LEAST`` give none.
HISTORY: Final = 31
_LEAST: Final = 5
#: A departure is so many scaled median absolute differences from the last values (Hampel's
#: identifier on differences, as R. K. Pearson, IEEE Trans. Control Syst. Technol. 10 (2002) 55,
#: doi:10.1109/87.974338, has it on values; from memory). 6 and not 3, since a day of readings
#: every 30 s has 2,880 chances and the scale of 31 values is itself off by a fifth.
_DEVIATIONS: Final = 6.0
_MAD_TO_SD: Final = 1.4826
#: ... and so many steps of the sensor's resolution: noise may move it by two.
_STEPS: Final = 2.2
#: It is over once a value is back within this share of the reach, or of what its nearest value
#: was away ...
_BACK_OF_REACH: Final = 0.5
_BACK_OF_LEAST: Final = 0.35
#: ... by a jump of at least this share of the peak: water comes back step by step. Our choice.
_RETURN_JUMP: Final = 0.5
#: The local scale is computed anew after so many values at the latest.
_NEAR_FOR: Final = 8
#: Values that show where the series leads, and how many standard deviations it has to lead away.
_TREND: Final = 11
_CLEAR_TREND: Final = 3.0
#: A longer one is no short excursion. Our choice: a probe lifted out while hands are in the tank.
_LONGEST_US: Final = 2 * 3600 * 1_000_000
_MOST_MEMBERS: Final = 60
#: After so many values away, two must be back: one alone may be a slip of its own.
_LONG: Final = 3

_NONE: Sequence[Reading] = ()


class Position(IntEnum):
    """Where a value lies: with the series, away from it, or back.

    ``BACK`` is back by a jump, as an excursion ends; ``RECOVERED`` step by step, as water does.
    """

    WITHIN = 0
    AWAY = 1
    BACK = 2
    RECOVERED = 3


class ExcursionDetector:
    """Finds short excursions among the values of one series in the order of their times."""

    __slots__ = (
        "_ahead", "_away", "_back", "_base", "_drift_us", "_floor", "_least", "_near",
        "_near_for", "_peak", "_reach", "_trend", "_values",
    )  # fmt: skip

    def __init__(self, limits: Limits) -> None:
        assert limits.excursion is not None
        self._floor = limits.excursion
        self._drift_us = limits.drift_h / 3.6e9
        self._values = array("d")  # a quarter of a list's memory, for each of 10,000 series
        self._away: list[Reading] = []
        self._back: list[float] = []
        #: A value this near the last one is within, for so many values.
        self._near, self._near_for = 0.5 * self._floor, 0
        self._base = self._ahead = self._trend = self._reach = self._peak = self._least = 0.0

    def position(self, value: float, time_us: int, resolution: Resolution) -> Position:
        """Take the next value; one that is ``AWAY`` has to be given to ``remember``.

        Args:
            resolution: of the sensor.
        """
        if self._away:
            return self._while_away(value, time_us)
        values = self._values
        # The usual case first: it has hardly moved.
        moved = len(values) >= _LEAST and abs(value - values[-1]) > self._near
        if moved and self._departs(value, resolution):
            return Position.AWAY
        self._near_for -= 1
        if not self._near_for:
            self._near = 0.5 * self._floor
        values.append(value)
        if len(values) > HISTORY:
            del values[0]
        return Position.WITHIN

    def remember(self, reading: Reading) -> None:
        """Keep a reading that is ``AWAY``, with the flags that it is stored with."""
        self._away.append(reading)

    def restore(self, readings: Sequence[Reading]) -> None:
        """Keep readings anew whose flags are others now."""
        if self._away and readings:
            anew = {one.time_us: one for one in readings}
            self._away = [anew.get(one.time_us, one) for one in self._away]

    def pop_away(self) -> list[Reading]:
        """The readings that were away: after ``BACK`` and ``RECOVERED``."""
        away, self._away = self._away, []
        return away

    def last_values(self) -> array[float]:
        """The last values of the series without its excursions."""
        return self._values[-WINDOW:]

    def forget(self) -> None:
        """Forget all values, such as after a long silence."""
        del self._values[:]
        self._away, self._back = [], []

    def _departs(self, value: float, resolution: Resolution) -> bool:
        """Whether a value is far from where the last ones lead."""
        values = self._values
        recent = values[-_TREND:]
        differences = [b - a for a, b in pairwise(values)]
        trend = (median(recent[-3:]) - median(recent[:3])) / (len(recent) - 3)
        scale = _MAD_TO_SD * median([abs(one - trend) for one in differences])
        # second differences leave a steady rise or fall alone; where all is noise their scale,
        # shrunk by the root of three, is that of the first ones
        second = [abs(b - a) for a, b in pairwise(differences)]
        steady = _MAD_TO_SD / 3**0.5 * median(second)
        if abs(trend) * (len(recent) - 3) < _CLEAR_TREND * steady:
            trend = 0.0
        else:
            scale = min(scale, steady)
        base = median(recent[-3:])
        moved = _distance(value, base, base + 2 * trend)
        reach = max(self._floor, _DEVIATIONS * scale)
        self._near, self._near_for = 0.5 * reach, _NEAR_FOR
        if moved <= reach:
            return False
        reach = max(reach, _STEPS * resolution.coarsest(value, base))
        if moved <= reach:
            return False
        self._base, self._ahead, self._trend, self._reach = base, base + 2 * trend, trend, reach
        self._peak = self._least = moved
        return True

    def _while_away(self, value: float, time_us: int) -> Position:
        away = self._away
        self._ahead += self._trend
        off = _distance(value, self._base, self._ahead)
        if off <= max(_BACK_OF_REACH * self._reach, _BACK_OF_LEAST * self._least):
            self._back.append(value)
            if len(self._back) == 1 and not self._has_jumped(value, time_us):
                self._extend([*(one.value for one in away), value])
                return Position.RECOVERED
            if len(away) >= _LONG and len(self._back) == 1:
                return Position.WITHIN
            self._extend(self._back)
            return Position.BACK
        if len(away) >= _MOST_MEMBERS or time_us - away[0].time_us > _LONGEST_US:
            self._extend([*(one.value for one in away), value])
            self._away = []
            return Position.WITHIN
        self._back = []
        self._peak, self._least = max(self._peak, off), min(self._least, off)
        return Position.AWAY

    def _has_jumped(self, value: float, time_us: int) -> bool:
        last = self._away[-1]
        jump = abs(value - last.value)
        steady = self._reach + self._drift_us * (time_us - last.time_us)
        return jump > self._reach and (jump >= _RETURN_JUMP * self._peak or jump > steady)

    def _extend(self, values: Sequence[float]) -> None:
        self._values.extend(values)
        del self._values[:-HISTORY]
        self._back = []


def _distance(value: float, one: float, other: float) -> float:
    """How far a value is from the interval between two."""
    return max(min(one, other) - value, value - max(one, other), 0.0)
