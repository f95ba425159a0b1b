"""Means of series that are read again and again, checked against what the store holds each time.

Beside the means it remembers the number and the sum of the readings of each hour. They are asked
of the store at each reading, which is cheap; the means of the hours in which they differ are read
again. So readings that came late, were imported or recalculated count at once.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Final

import numpy as np
import numpy.typing as npt

from service.derive.loader import as_samples, step_of
from service.derive.models import Array
from service.store.interface import Store
from service.store.model import MEAN_ALONE, Samples, SeriesKey

HOUR_US: Final = 3_600_000_000

Times = npt.NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class Hours:
    """How many readings a series has in each hour, and their sum; hours without any left out."""

    start_us: Times = field(default_factory=lambda: np.empty(0, np.int64))
    count: Times = field(default_factory=lambda: np.empty(0, np.int64))
    total: Array = field(default_factory=lambda: np.empty(0))

    def part(self, start_us: int, end_us: int) -> Hours:
        """The hours that begin in [start_us, end_us)."""
        here = slice(*np.searchsorted(self.start_us, (start_us, end_us)))
        return Hours(self.start_us[here], self.count[here], self.total[here])

    def differing(self, other: Hours) -> Times:
        """Starts of the hours that are not the same in both, in order."""
        mine, theirs = self.start_us, other.start_us
        if len(mine) == len(theirs) and np.array_equal(mine, theirs):
            differs = (self.count != other.count) | (self.total != other.total)
            return np.asarray(mine[differs])
        both, at, at_other = np.intersect1d(mine, theirs, assume_unique=True, return_indices=True)
        same = (self.count[at] == other.count[at_other]) & (self.total[at] == other.total[at_other])
        return np.setdiff1d(np.union1d(mine, theirs), both[same], assume_unique=True)

    def digest(self) -> int:
        """A number that differs, in all likelihood, where any hour does."""
        return hash((self.start_us.tobytes(), self.count.tobytes(), self.total.tobytes()))


def read_hours(store: Store, key: SeriesKey, start_us: int, end_us: int) -> Hours:
    """The hours of a series from the store; errors as ``Store.aggregate``."""
    found = store.aggregate(key, start_us, end_us, HOUR_US, wanted=MEAN_ALONE)
    return Hours(found.start_us, found.count, found.sum)


@dataclass(slots=True)
class _Means:
    """Means of one series over equal spans, and the hours that they were read with."""

    start_us: Times = field(default_factory=lambda: np.empty(0, np.int64))
    mean: Array = field(default_factory=lambda: np.empty(0))
    hours: Hours = field(default_factory=Hours)
    seen_us: int = 0


class SeriesCache:
    """The means of the series of one tank; not for several threads at a time."""

    def __init__(self, store: Store, window_us: int) -> None:
        """Empty at first.

        Args:
            window_us: at least so much before the end is read and checked each time.
        """
        self._store = store
        self._window_us = window_us
        self._series: dict[SeriesKey, _Means] = {}
        self._rewritten = False

    def read(self, key: SeriesKey, start_us: int, end_us: int) -> Samples:
        """The means of a series in [start_us, end_us), as ``loader.means`` reads them."""
        step_us = step_of(key.quantity)
        first_us = min(start_us, end_us - self._window_us) // HOUR_US * HOUR_US
        # The hours first: what is written in between differs at the next reading.
        hours = read_hours(self._store, key, first_us, end_us)
        means = self._series.setdefault(key, _Means())
        changed = means.hours.part(first_us, end_us).differing(hours)
        if means.seen_us and np.any(changed < means.seen_us // HOUR_US * HOUR_US):
            self._rewritten = True
        for run in _runs(changed):
            self._renew(key, means, *run, step_us)
        oldest = int(np.searchsorted(means.start_us, first_us))
        means.start_us, means.mean = means.start_us[oldest:], means.mean[oldest:]
        means.hours, means.seen_us = hours, end_us
        last_us = -(-end_us // step_us) * step_us
        here = slice(*np.searchsorted(means.start_us, (start_us // step_us * step_us, last_us)))
        return as_samples(means.start_us[here], means.mean[here], step_us, end_us)

    def hours(self, key: SeriesKey) -> Hours:
        """The hours of a series as last read."""
        found = self._series.get(key)
        return Hours() if found is None else found.hours

    def pop_rewritten(self) -> bool:
        """Whether an hour that was over changed between two reads since this was last asked."""
        found, self._rewritten = self._rewritten, False
        return found

    def keep_only(self, keys: set[SeriesKey]) -> None:
        """Drop all series but these."""
        for key in self._series.keys() - keys:
            del self._series[key]

    def _renew(
        self, key: SeriesKey, means: _Means, start_us: int, end_us: int, step_us: int
    ) -> None:
        """Read the means from one hour to another again."""
        found = self._store.aggregate(key, start_us, end_us, step_us, wanted=MEAN_ALONE)
        before, after = np.searchsorted(means.start_us, (start_us, end_us))
        means.start_us = np.concatenate(
            (means.start_us[:before], found.start_us, means.start_us[after:])
        )
        means.mean = np.concatenate((means.mean[:before], found.mean, means.mean[after:]))


def _runs(hours_us: Times) -> Iterator[tuple[int, int]]:
    """Start and end of each run of hours without a gap."""
    if not len(hours_us):
        return
    cuts = np.flatnonzero(np.diff(hours_us) > HOUR_US) + 1
    for run in np.split(hours_us, cuts):
        yield int(run[0]), int(run[-1]) + HOUR_US
