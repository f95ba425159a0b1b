"""Judges many readings of one series at once, with the very results of ``judge`` one by one.

Most values have hardly moved, and then nothing is found: whole stretches of them are taken at once.
A value that has moved is judged by itself.
"""

from __future__ import annotations

from array import array
from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from ingest.process.series import SILENCE_US, SeriesState
from service.store import Reading


@dataclass(slots=True)
class Found:
    """What was found among the readings of a series.

    Attributes:
        spikes, stuck: places of those that are doubted when they come.
        corrected: readings whose flags are others then, the last of them count.
    """

    spikes: list[int] = field(default_factory=list)
    stuck: list[int] = field(default_factory=list)
    corrected: list[Reading] = field(default_factory=list)


def judge_in_order(
    series: SeriesState,
    times_us: npt.NDArray[np.int64],
    values: npt.NDArray[np.float64],
    reading: Callable[[int], Reading],
) -> Found:
    """Judge the readings of a series by each other, and remember them for those after them.

    Args:
        times_us, values: of usable readings, each later than the one before; at least one.
        reading: the reading at a place, with the flags that it has already.
    """
    found = Found()
    stuck = _Stuck(series, times_us, values, found)
    if series.checks.outliers is not None:
        _find_outliers(series, times_us, values, reading, stuck, found)
    stuck.catch_up(len(values))
    series.last_us = int(times_us[-1])
    return found


class _Stuck:
    """Looks for stuck values behind the search for outliers, as spikes are none of its values."""

    def __init__(
        self,
        series: SeriesState,
        times_us: npt.NDArray[np.int64],
        values: npt.NDArray[np.float64],
        found: Found,
    ) -> None:
        self._series = series
        self._times_us = times_us
        self._values = values
        self._found = found
        self._done = 0
        self._spikes = 0

    def catch_up(self, end: int) -> None:
        """Add the values before a place."""
        spikes = self._found.spikes[self._spikes :]
        places = np.arange(self._done, end)
        if spikes:
            places = np.delete(places, np.array(spikes) - self._done)
        self._done, self._spikes = end, len(self._found.spikes)
        if len(places):
            stuck = self._series.checks.stuck.stuck_of(
                self._series.slot, self._values[places], self._times_us[places]
            )
            self._found.stuck += places[stuck].tolist()


def _find_outliers(
    series: SeriesState,
    times_us: npt.NDArray[np.int64],
    values: npt.NDArray[np.float64],
    reading: Callable[[int], Reading],
    stuck: _Stuck,
    found: Found,
) -> None:
    outliers, slot = series.checks.outliers, series.slot
    assert outliers is not None
    column = array("d", values.tobytes())
    elapsed_us = np.diff(times_us, prepend=series.last_us)
    unusual = elapsed_us > SILENCE_US
    silences = unusual.tolist()
    unusual[1:] |= np.abs(np.diff(values)) > outliers.least_move
    ends = [*np.flatnonzero(unusual).tolist(), len(column)]
    place = next_end = 0
    while place < len(column):
        if silences[place]:
            outliers.forget(slot)
        away = outliers.is_away(slot)
        sound = place
        if away or outliers.may_depart(slot, column[place]):
            if not away:
                stuck.catch_up(place)  # whether it departs depends on the steps seen so far
            spike, corrected = outliers.add(slot, reading(place), int(elapsed_us[place]))
            found.corrected += corrected
            if spike:
                found.spikes.append(place)
            sound += 1
        place += 1
        if outliers.is_away(slot):
            continue
        # it is where the last value was: so are those after it, until one moves
        while ends[next_end] < place:
            next_end += 1
        place = ends[next_end]
        if place > sound:
            outliers.add_sound(slot, column[sound:place])
