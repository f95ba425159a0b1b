"""Outliers of one series: spikes as they arrive, and short excursions once they are over."""

from __future__ import annotations

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
    """Finds the outliers of one series in the order of their times."""

    __slots__ = ("_excursion", "_spike")

    def __init__(self, limits: Limits) -> None:
        """Start without values; the limits have a ``step``."""
        self._spike = SpikeDetector(limits)
        self._excursion = ExcursionDetector(limits)

    def add(self, reading: Reading, elapsed_us: int, resolution: Resolution) -> Found:
        """Take the next reading.

        Args:
            elapsed_us: since the one before it.
            resolution: of the sensor.
        """
        spike, excursion, value = self._spike, self._excursion, reading.value
        position = excursion.position(value, reading.time_us, resolution)
        corrected: list[Reading] = []
        if position == _BACK:
            away = excursion.pop_away()
            corrected = spike.resume(excursion.last_values(), away[-1].time_us)
            corrected += [_as_spike(one) for one in away if not _is_spike(one)]
            return Found(False, corrected)
        if position == _RECOVERED:
            corrected = [_as_sound(one) for one in excursion.pop_away() if _is_spike(one)]
        # the longer memory has the better scale: where noise is as large, it is none
        if position == _WITHIN or not spike.is_suspect(value, elapsed_us):
            spike.accept(value)
            if position == _AWAY:
                excursion.remember(reading)
            return Found(False, corrected) if corrected else _SOUND
        confirmed = spike.suspect(reading)
        excursion.restore(confirmed)
        corrected += confirmed[:-1]
        if position == _AWAY:
            excursion.remember(reading if confirmed else _as_spike(reading))
        return Found(not confirmed, corrected)

    def forget(self) -> None:
        """Forget all values, such as after a long silence."""
        self._spike.forget()
        self._excursion.forget()


def _is_spike(reading: Reading) -> bool:
    return bool(int(reading.flags) & _SPIKE)


def _as_spike(reading: Reading) -> Reading:
    return replace(reading, flags=Flag(int(reading.flags) | _SPIKE))


def _as_sound(reading: Reading) -> Reading:
    return replace(reading, flags=Flag(int(reading.flags) & ~_SPIKE))
