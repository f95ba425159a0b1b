"""Judges the readings of a file by columns; their times and values stay."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from ingest.process.quality.columns import Found, judge_in_order
from ingest.process.quality.judge import judge
from ingest.process.series import SeriesMemory, SeriesState
from service.store import NOT_USABLE, Flag, Reading, SeriesKey
from service.store.columns import ReadingColumns

_CLOCK, _IMPLAUSIBLE, _DISAGREES = int(Flag.CLOCK), int(Flag.IMPLAUSIBLE), int(Flag.DISAGREES)
_SPIKE, _STUCK, _NOT_USABLE = int(Flag.SPIKE), int(Flag.STUCK), int(NOT_USABLE)

Places = npt.NDArray[np.intp]
#: Names a reading: its series and time.
Name = tuple[SeriesKey, int]


class Judged(NamedTuple):
    """What became of readings of a file.

    Attributes:
        readings: with their flags; of two at one time the one that counts.
        earlier: readings of before whose spike flag is set or removed by these.
        last: of each series the last one that was usable when it came, in the order of times.
    """

    readings: ReadingColumns
    earlier: Sequence[Reading]
    last: Sequence[Reading]

    def stored(self) -> ReadingColumns:
        """All that is to be stored."""
        return ReadingColumns.joined([self.readings, ReadingColumns.of(self.earlier)])


def judge_archived(memory: SeriesMemory, readings: ReadingColumns, future_us: int) -> Judged:
    """Judge readings of a file in the order of their times, and remember them.

    Args:
        readings: in any order.
        future_us: a time ahead of this is flagged ``CLOCK``.
    """
    flags = readings.flags.copy()
    flags[readings.time_us > future_us] |= _CLOCK
    batch = _Batch(memory, replace(readings, flags=flags))
    sensors: dict[tuple[str, str], list[_Part]] = {}
    for key, places in batch.readings.by_series():
        times_us = readings.time_us[places]
        if np.any(times_us[1:] < times_us[:-1]):
            places = places[np.argsort(times_us, kind="stable")]
        sensors.setdefault((key.tank, key.quantity), []).append(_Part(key, places))
    for parts in sensors.values():
        batch.judge(parts)
    return batch.judged()


class _Part(NamedTuple):
    """The places of the readings of a series in the batch, in the order of their times."""

    key: SeriesKey
    places: Places


class _Compared(NamedTuple):
    """The places of readings that other sensors confirm or not, and where flags are corrected."""

    series: SeriesState
    places: Places
    corrected: frozenset[int]


class _Batch:
    """Readings that are judged, the sensors of one quantity and tank after those of another."""

    def __init__(self, memory: SeriesMemory, readings: ReadingColumns) -> None:
        self._memory = memory
        self.readings = readings
        self._flags = readings.flags
        self._superseded = np.zeros(len(readings), bool)
        self._instead: dict[Name, Reading] = {}
        self._earlier: dict[Name, Reading] = {}
        self._last: list[Reading] = []

    def judge(self, parts: Sequence[_Part]) -> None:
        """Judge what belongs to all sensors of one quantity in one tank."""
        times_us = self.readings.time_us
        if all(np.all(np.diff(times_us[part.places]) > 0) for part in parts):
            self._compare([self._judge_series(part) for part in parts])
        else:
            self._judge_one_by_one(np.concatenate([part.places for part in parts]))

    def judged(self) -> Judged:
        """What became of all."""
        readings = self.readings
        if self._instead:
            there = readings[np.flatnonzero(~self._superseded)]
            readings = ReadingColumns.joined(
                [there, ReadingColumns.of(list(self._instead.values()))]
            )
        return Judged(readings, list(self._earlier.values()), self._last)

    def _judge_one_by_one(self, places: Places) -> None:
        """Judge readings of which several have one time: what would be stored last counts."""
        final: dict[Name, Reading] = {}
        last: dict[SeriesKey, Reading] = {}
        places = np.sort(places)
        here = {(one.key, one.time_us) for one in self.readings[places]}
        in_order = places[np.argsort(self.readings.time_us[places], kind="stable")]
        for one in self.readings[in_order]:
            series = self._memory.series((one.tank, one.quantity, one.sensor), one.time_us)
            one, corrected = judge(series, one, late=False)
            final |= {(stored.key, stored.time_us): stored for stored in (one, *corrected)}
            if not int(one.flags) & _NOT_USABLE:
                last[one.key] = one
        self._superseded[places] = True
        for name, one in final.items():
            (self._instead if name in here else self._earlier)[name] = one
        self._last += last.values()

    def _judge_series(self, part: _Part) -> _Compared:
        """Judge a series whose times differ, but for what its other sensors say."""
        key, places = part
        times_us, values = self.readings.time_us[places], self.readings.value[places]
        series = self._memory.series((key.tank, key.quantity, key.sensor), int(times_us[0]))
        series.seen_us = max(series.seen_us, int(times_us[-1]))
        low, high = series.checks.low, series.checks.high
        self._flags[places[~((values >= low) & (values <= high))]] |= _IMPLAUSIBLE
        usable = (self._flags[places] & _NOT_USABLE) == 0
        in_order = np.flatnonzero(usable & (times_us > series.last_us))
        judged, found = places[in_order], Found()
        if len(judged):
            found = judge_in_order(
                series, times_us[in_order], values[in_order], lambda n: self.readings[judged[n]]
            )
        self._flags[judged[found.spikes]] |= _SPIKE
        self._flags[judged[found.stuck]] |= _STUCK
        doubted = found.spikes + found.stuck
        usable[in_order[doubted]] = False
        if usable.any():
            self._last.append(self.readings[places[np.flatnonzero(usable)[-1]]])
        corrected = [self._correct(one, places, times_us, judged) for one in found.corrected]
        return _Compared(series, np.delete(judged, doubted), frozenset(corrected))

    def _correct(
        self, reading: Reading, places: Places, times_us: npt.NDArray[np.int64], judged: Places
    ) -> int:
        """Take the flags that a reading has now; its place, below 0 where it is none of these."""
        name = (reading.key, reading.time_us)
        at = int(np.searchsorted(times_us, reading.time_us))
        if at == len(times_us) or times_us[at] != reading.time_us:
            self._earlier[name] = reading
            return -1
        place = int(places[at])
        if place in judged:
            self._flags[place] = int(reading.flags)
            return place
        self._superseded[place] = True
        self._instead[name] = reading
        return -1

    def _compare(self, sensors: Sequence[_Compared]) -> None:
        """Compare the sensors of one quantity in one tank with each other."""
        agreement = sensors[0].series.agreement
        if agreement is None:
            return
        limits = sensors[0].series.checks.limits
        readings = self.readings
        if len(sensors) == 1 and agreement.is_alone(sensors[0].series.name[2]):
            places = sensors[0].places[-1:]  # the last value is all that is remembered
        else:
            places = np.sort(np.concatenate([one.places for one in sensors]))
            places = places[np.argsort(readings.time_us[places], kind="stable")]
        corrected = frozenset().union(*(one.corrected for one in sensors))
        for place, one in zip(places.tolist(), readings[places], strict=True):
            disagrees = agreement.disagrees(limits, one.sensor, one.value, one.time_us)
            if disagrees and place not in corrected:
                self._flags[place] |= _DISAGREES
