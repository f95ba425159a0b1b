"""Means of series that are read again and again, checked against what the store holds each time.

Beside the means it remembers the number and the sum of the readings of each hour and day. At each
reading those of the days are asked of the store, and those of the hours of each day that differs;
the means of the hours that differ are read again. So readings that came late, were imported or
recalculated count at once. All hours are compared whenever another hour begins: that finds the
rewriting that leaves the number and the sum of a day exactly as they were.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Final

import numpy as np
import numpy.typing as npt

from service.derive.loader import HOUR_US, as_samples, step_of
from service.derive.models.co2 import Array
from service.science.numeric.sets import union
from service.store.interface import Store
from service.store.model import MEAN_ALONE, Samples, SeriesKey

DAY_US: Final = 24 * HOUR_US

Times = npt.NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class Totals:
    """How many readings a series has in each hour or day, and their sum; empty ones left out."""

    start_us: Times = field(default_factory=lambda: np.empty(0, np.int64))
    count: Times = field(default_factory=lambda: np.empty(0, np.int64))
    total: Array = field(default_factory=lambda: np.empty(0))

    def part(self, start_us: int, end_us: int) -> Totals:
        """The spans that begin in [start_us, end_us)."""
        here = slice(*np.searchsorted(self.start_us, (start_us, end_us)))
        return Totals(self.start_us[here], self.count[here], self.total[here])

    def replaced(self, other: Totals, start_us: int, end_us: int) -> Totals:
        """The same with the spans that begin in [start_us, end_us) taken from another."""
        before, after = np.searchsorted(self.start_us, (start_us, end_us))
        return Totals(
            np.concatenate((self.start_us[:before], other.start_us, self.start_us[after:])),
            np.concatenate((self.count[:before], other.count, self.count[after:])),
            np.concatenate((self.total[:before], other.total, self.total[after:])),
        )

    def differing(self, other: Totals) -> Times:
        """Starts of the spans that are not the same in both, in order."""
        mine, theirs = self.start_us, other.start_us
        if len(mine) == len(theirs) and np.array_equal(mine, theirs):
            differs = (self.count != other.count) | (self.total != other.total)
            return np.asarray(mine[differs])
        both, at, at_other = np.intersect1d(mine, theirs, assume_unique=True, return_indices=True)
        same = (self.count[at] == other.count[at_other]) & (self.total[at] == other.total[at_other])
        return np.setdiff1d(union(mine, theirs), both[same], assume_unique=True)

    def digest(self) -> int:
        """A number that differs, in all likelihood, where any span does."""
        return hash((self.start_us.tobytes(), self.count.tobytes(), self.total.tobytes()))


def read_totals(
    store: Store, key: SeriesKey, start_us: int, end_us: int, span_us: int = HOUR_US
) -> Totals:
    """The totals of a series by hour or day from the store; errors as ``Store.aggregate``."""
    found = store.aggregate(key, start_us, end_us, span_us, wanted=MEAN_ALONE)
    return Totals(found.start_us, found.count, found.sum)


@dataclass(slots=True)
class _Means:
    """Means of one series over equal spans, and the totals that they were read with.

    Attributes:
        compared: start and end of the hours that were all compared last.
    """

    start_us: Times = field(default_factory=lambda: np.empty(0, np.int64))
    mean: Array = field(default_factory=lambda: np.empty(0))
    hours: Totals = field(default_factory=Totals)
    days: Totals = field(default_factory=Totals)
    compared: tuple[int, int] | None = None
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
        means = self._series.setdefault(key, _Means())
        # Totals before means: what is written in between differs at the next reading.
        hours = self._hours_now(key, means, first_us, end_us)
        changed = means.hours.part(first_us, end_us).differing(hours)
        if means.seen_us and np.any(changed < means.seen_us // HOUR_US * HOUR_US):
            self._rewritten = True
        for run in _runs(changed, HOUR_US):
            self._renew(key, means, *run, step_us)
        oldest = int(np.searchsorted(means.start_us, first_us))
        means.start_us, means.mean = means.start_us[oldest:], means.mean[oldest:]
        means.hours, means.seen_us = hours, end_us
        last_us = -(-end_us // step_us) * step_us
        here = slice(*np.searchsorted(means.start_us, (start_us // step_us * step_us, last_us)))
        return as_samples(means.start_us[here], means.mean[here], step_us, end_us)

    def hours(self, key: SeriesKey) -> Totals:
        """The hours of a series as last read."""
        found = self._series.get(key)
        return Totals() if found is None else found.hours

    def pop_rewritten(self) -> bool:
        """Whether an hour that was over changed between two reads since this was last asked."""
        found, self._rewritten = self._rewritten, False
        return found

    def keep_only(self, keys: set[SeriesKey]) -> None:
        """Drop all series but these."""
        for key in self._series.keys() - keys:
            del self._series[key]

    def _hours_now(self, key: SeriesKey, means: _Means, first_us: int, end_us: int) -> Totals:
        """The hours of a series as the store has them, read where its days differ, or all."""
        days = read_totals(self._store, key, first_us, end_us, DAY_US)
        window = first_us, -(-end_us // HOUR_US) * HOUR_US
        if window != means.compared:
            hours = read_totals(self._store, key, first_us, end_us)
        else:
            hours = means.hours
            for start_us, after_us in _runs(means.days.differing(days), DAY_US):
                start_us, after_us = max(start_us, first_us), min(after_us, end_us)
                found = read_totals(self._store, key, start_us, after_us)
                hours = hours.replaced(found, start_us, after_us)
        means.days, means.compared = days, window
        return hours

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


def _runs(starts_us: Times, span_us: int) -> Iterator[tuple[int, int]]:
    """Start and end of each run of spans without a gap."""
    if not len(starts_us):
        return
    cuts = np.flatnonzero(np.diff(starts_us) > span_us) + 1
    for run in np.split(starts_us, cuts):
        yield int(run[0]), int(run[-1]) + span_us
