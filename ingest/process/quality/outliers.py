"""Outliers of one series: spikes as they arrive, and short excursions once they are over."""

from __future__ import annotations

from array import array
from collections.abc import Sequence
from dataclasses import replace
from typing import Final, NamedTuple

from ingest.process.quality.excursion import ExcursionDetector, Position
from ingest.process.quality.limits import Limits
from ingest.process.quality.resolution import Resolution
from ingest.process.quality.spike import SpikeDetector
from service.store import Flag, Reading

_WITHIN, _AWAY = Position.WITHIN, Position.AWAY
_BACK, _RECOVERED = Position.BACK, Position.RECOVERED
_SPIKE: Final = int(Flag.SPIKE)


class Found(NamedTuple):
    """Whether a reading is an outlier, and earlier readings whose flag is set or removed."""

    spike: bool
    corrected: Sequence[Reading] = ()


_SOUND: Final = Found(False)


class Outliers:
    """Finds the outliers of each series of a quantity in the order of their times."""

    __slots__ = ("_excursion", "_spike", "least_move")

    def __init__(self, limits: Limits, resolution: Resolution) -> None:
        """Start without slots; the limits have a ``step``.

        Args:
            resolution: of the sensors.
        """
        assert limits.excursion is not None
        #: A value that is no further from the one before it never departs.
        self.least_move = 0.5 * limits.excursion
        self._spike = SpikeDetector(limits)
        self._excursion = ExcursionDetector(limits, resolution)

    def add_slots(self, count: int) -> None:
        """Make room for so many series more."""
        self._spike.add_slots(count)
        self._excursion.add_slots(count)

    def clear(self, slot: int) -> None:
        """Start a series anew."""
        self._spike.clear(slot)
        self._excursion.clear(slot)

    def add(self, slot: int, reading: Reading, elapsed_us: int) -> Found:
        """Take the next reading of a series.

        Args:
            elapsed_us: since the one before it.
        """
        spike, excursion, value = self._spike, self._excursion, reading.value
        position = excursion.position(slot, value, reading.time_us)
        corrected: list[Reading] = []
        if position == _BACK:
            away = excursion.pop_away(slot)
            corrected = spike.resume(slot, excursion.last_values(slot), away[-1].time_us)
            corrected += [_as_spike(one) for one in away if not _is_spike(one)]
            return Found(False, corrected)
        if position == _RECOVERED:
            corrected = [_as_sound(one) for one in excursion.pop_away(slot) if _is_spike(one)]
        # the longer memory has the better scale: where noise is as large, it is none
        if position == _WITHIN or not spike.is_suspect(slot, value, elapsed_us):
            spike.accept(slot, value)
            if position == _AWAY:
                excursion.remember(slot, reading)
            return Found(False, corrected) if corrected else _SOUND
        confirmed = spike.suspect(slot, reading)
        excursion.restore(slot, confirmed)
        corrected += confirmed[:-1]
        if position == _AWAY:
            excursion.remember(slot, reading if confirmed else _as_spike(reading))
        return Found(not confirmed, corrected)

    def is_away(self, slot: int) -> bool:
        """Whether a series is away from where it was."""
        return self._excursion.is_away(slot)

    def may_depart(self, slot: int, value: float) -> bool:
        """Whether a next value may be away, whatever the resolution is."""
        return self._excursion.may_depart(slot, value)

    def add_sound(self, slot: int, values: array[float]) -> None:
        """Take values of a series that is not away, none of which may depart: they are sound."""
        self._excursion.add_within(slot, values)
        self._spike.accept_all(slot, values)

    def forget(self, slot: int) -> None:
        """Forget all values of a series, such as after a long silence."""
        self._spike.clear(slot)
        self._excursion.forget(slot)


def _is_spike(reading: Reading) -> bool:
    return bool(int(reading.flags) & _SPIKE)


def _as_spike(reading: Reading) -> Reading:
    return replace(reading, flags=Flag(int(reading.flags) | _SPIKE))


def _as_sound(reading: Reading) -> Reading:
    return replace(reading, flags=Flag(int(reading.flags) & ~_SPIKE))
