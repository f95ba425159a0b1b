"""Short excursions: values that jump away from a series and jump back to where it was.

Known only afterwards, from the values on both sides, so that far smaller ones are found than a
value alone shows on arrival: water moves steadily or stays where it went, a disturbed sensor
jumps twice.
"""

from __future__ import annotations

from array import array
from collections.abc import Sequence
from dataclasses import dataclass, field
from enum import IntEnum
from itertools import pairwise
from statistics import median
from typing import Final

from ingest.process.quality.limits import Limits
from ingest.process.quality.resolution import Resolution
from ingest.process.quality.spike import WINDOW
from ingest.process.quality.windows import Windows
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


@dataclass(slots=True)
class _Excursion:
    """A series that is away.

    Attributes:
        base, ahead: between them it would be, did it go on as before.
        trend: by so much ``ahead`` moves with each value.
        reach: beyond it a value has departed.
        peak, least: the greatest and the least distance so far.
        away: the readings.
        back: values that are back already.
    """

    base: float
    ahead: float
    trend: float
    reach: float
    peak: float
    least: float
    away: list[Reading] = field(default_factory=list)
    back: list[float] = field(default_factory=list)

    def has_jumped(self, value: float, time_us: int, drift_us: float) -> bool:
        """Whether a value has come back by a jump, not as water comes back."""
        last = self.away[-1]
        jump = abs(value - last.value)
        steady = self.reach + drift_us * (time_us - last.time_us)
        return jump > self.reach and (jump >= _RETURN_JUMP * self.peak or jump > steady)


class ExcursionDetector:
    """Finds short excursions among the values of each series in the order of their times."""

    __slots__ = (
        "_drift_us", "_excursions", "_floor", "_near", "_near_for", "_resolution", "_values",
    )  # fmt: skip

    def __init__(self, limits: Limits, resolution: Resolution) -> None:
        """Start without slots.

        Args:
            resolution: of the sensors.
        """
        assert limits.excursion is not None
        self._floor = limits.excursion
        self._drift_us = limits.drift_h / 3.6e9
        self._resolution = resolution
        self._values: Windows[float] = Windows("d", HISTORY)
        #: A value this near the last one is within, for so many values.
        self._near = array("d")
        self._near_for = bytearray()
        #: Of those series alone that are away.
        self._excursions: dict[int, _Excursion] = {}

    def add_slots(self, count: int) -> None:
        """Make room for so many series more."""
        self._values.add_slots(count)
        self._near.extend([0.5 * self._floor] * count)
        self._near_for += bytes(count)

    def clear(self, slot: int) -> None:
        """Start a series anew."""
        self.forget(slot)
        self._near[slot], self._near_for[slot] = 0.5 * self._floor, 0

    def position(self, slot: int, value: float, time_us: int) -> Position:
        """Take the next value; one that is ``AWAY`` has to be given to ``remember``."""
        if slot in self._excursions:
            return self._while_away(slot, self._excursions[slot], value, time_us)
        # The usual case first: it has hardly moved. NaN: there are too few to compare with.
        moved = abs(value - self._values.last(slot, _LEAST)) > self._near[slot]
        if moved and self._departs(slot, value):
            return Position.AWAY
        near_for = self._near_for[slot]
        if near_for:
            self._near_for[slot] = near_for - 1
            if near_for == 1:
                self._near[slot] = 0.5 * self._floor
        self._values.append(slot, value)
        return Position.WITHIN

    def is_away(self, slot: int) -> bool:
        """Whether a series is away."""
        return slot in self._excursions

    def may_depart(self, slot: int, value: float) -> bool:
        """Whether a next value may be ``AWAY``, whatever the resolution is."""
        near, near_for = self._near[slot], self._near_for[slot]
        if not abs(value - self._values.last(slot, _LEAST)) > near:
            return False
        if self._departure(slot, value) is None:
            return False
        self._near[slot], self._near_for[slot] = near, near_for  # it is not taken yet
        return True

    def add_within(self, slot: int, values: array[float]) -> None:
        """Take values of a series that is not away, none of which may depart."""
        near_for = self._near_for[slot]
        if near_for:
            self._near_for[slot] = max(0, near_for - len(values))
            if near_for <= len(values):
                self._near[slot] = 0.5 * self._floor
        self._values.extend(slot, values)

    def remember(self, slot: int, reading: Reading) -> None:
        """Keep a reading that is ``AWAY``, with the flags that it is stored with."""
        self._excursions[slot].away.append(reading)

    def restore(self, slot: int, readings: Sequence[Reading]) -> None:
        """Keep readings anew whose flags are others now."""
        found = self._excursions.get(slot)
        if found is not None and readings:
            anew = {one.time_us: one for one in readings}
            found.away = [anew.get(one.time_us, one) for one in found.away]

    def pop_away(self, slot: int) -> list[Reading]:
        """The readings that were away: after ``BACK`` and ``RECOVERED``."""
        return self._excursions.pop(slot).away

    def last_values(self, slot: int) -> array[float]:
        """The last values of a series without its excursions."""
        return self._values.of(slot)[-WINDOW:]

    def forget(self, slot: int) -> None:
        """Forget all values of a series, such as after a long silence."""
        self._values.clear(slot)
        self._excursions.pop(slot, None)

    def _departs(self, slot: int, value: float) -> bool:
        """Whether a value is far from where the last ones lead; then the series is away."""
        found = self._departure(slot, value)
        if found is None:
            return False
        reach = max(found.reach, _STEPS * self._resolution.coarsest(slot, value, found.base))
        if found.peak <= reach:
            return False
        found.reach = reach
        self._excursions[slot] = found
        return True

    def _departure(self, slot: int, value: float) -> _Excursion | None:
        """The excursion that a value begins, was it not for the resolution; None: it is near."""
        values = self._values.of(slot)
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
        self._near[slot], self._near_for[slot] = 0.5 * reach, _NEAR_FOR
        if moved <= reach:
            return None
        return _Excursion(base, base + 2 * trend, trend, reach, moved, moved)

    def _while_away(self, slot: int, found: _Excursion, value: float, time_us: int) -> Position:
        away = found.away
        found.ahead += found.trend
        off = _distance(value, found.base, found.ahead)
        if off <= max(_BACK_OF_REACH * found.reach, _BACK_OF_LEAST * found.least):
            found.back.append(value)
            if len(found.back) == 1 and not found.has_jumped(value, time_us, self._drift_us):
                self._values.extend(slot, array("d", [*(one.value for one in away), value]))
                return Position.RECOVERED
            if len(away) >= _LONG and len(found.back) == 1:
                return Position.WITHIN
            self._values.extend(slot, array("d", found.back))
            return Position.BACK
        if len(away) >= _MOST_MEMBERS or time_us - away[0].time_us > _LONGEST_US:
            self._values.extend(slot, array("d", [*(one.value for one in away), value]))
            del self._excursions[slot]
            return Position.WITHIN
        found.back = []
        found.peak, found.least = max(found.peak, off), min(found.least, off)
        return Position.AWAY


def _distance(value: float, one: float, other: float) -> float:
    """How far a value is from the interval between two."""
    return max(min(one, other) - value, value - max(one, other), 0.0)
