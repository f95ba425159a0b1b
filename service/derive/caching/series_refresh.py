"""Brings the cached means of series up to date, asking the store for many of them at once."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from typing import Final

import numpy as np

from service.derive.caching.series_totals import Times, Totals, no_times, no_values, runs
from service.derive.models.co2 import Array
from service.derive.series_reading import HOUR_US, step_of
from service.store.interface import Store
from service.store.model import MEAN_ALONE, Buckets, SeriesKey

DAY_US: Final = 24 * HOUR_US

MOST_SPANS: Final = 200_000
"""Spans of all its series together that one question is about: bounds its memory to some MB."""


@dataclass(slots=True)
class CachedSeries:
    """Means of one series over equal spans, and the totals that they were read with.

    Attributes:
        compared: start and end of the hours that were all compared last.
    """

    key: SeriesKey
    start_us: Times = field(default_factory=no_times)
    mean: Array = field(default_factory=no_values)
    hours: Totals = field(default_factory=Totals)
    days: Totals = field(default_factory=Totals)
    compared: tuple[int, int] | None = None

    def put(self, found: Buckets, start_us: int, end_us: int) -> None:
        """Replace the means from one hour to another."""
        before, after = self.start_us.searchsorted((start_us, end_us))
        parts = self.start_us[:before], found.start_us, self.start_us[after:]
        means = self.mean[:before], found.mean, self.mean[after:]
        self.start_us, self.mean = np.concatenate(parts), np.concatenate(means)


@dataclass(slots=True)
class Renewal:
    """A cached series that is brought up to date from one time, the start of an hour, to another.

    Attributes:
        days, hours: what the store was found to hold.
        means: those of stretches that changed, each with its start and end.
        is_done: all of it was read.
    """

    series: CachedSeries
    first_us: int
    end_us: int
    days: Totals = field(default_factory=Totals)
    hours: Totals = field(default_factory=Totals)
    means: list[tuple[Buckets, int, int]] = field(default_factory=list)
    is_done: bool = False

    @property
    def window(self) -> tuple[int, int]:
        """The hours that it is about."""
        return self.first_us, -(-self.end_us // HOUR_US) * HOUR_US

    def hours_to_ask(self) -> Iterator[tuple[int, int]]:
        """Where the hours have to be compared: in days that differ, or all in another window."""
        if self.window != self.series.compared:
            yield self.first_us, self.end_us
            return
        self.hours = self.series.hours
        for start_us, after_us in runs(self.series.days.differing(self.days), DAY_US):
            yield max(start_us, self.first_us), min(after_us, self.end_us)

    def changed_hours(self) -> Times:
        """Starts of the hours whose means have to be read."""
        return self.series.hours.part(self.first_us, self.end_us).differing(self.hours)

    def done(self) -> None:
        """All was read: only now any of it counts, so that what failed midway is read again."""
        one = self.series
        for stretch in self.means:
            one.put(*stretch)
        self.means = []
        # After a clock was put back there are means of hours that are no longer compared.
        here = slice(*one.start_us.searchsorted(self.window).tolist())
        one.start_us, one.mean = one.start_us[here], one.mean[here]
        one.days, one.hours, one.compared = self.days, self.hours, self.window
        self.is_done = True


def refresh(store: Store, renewals: Sequence[Renewal]) -> None:
    """Read what is new or changed of some series.

    Raises:
        StoreUnavailableError, StoreRefusedError: as the store finds.
    """
    # Totals before means: what is written in between differs at the next time.
    days = ((one, one.first_us, one.end_us, DAY_US) for one in renewals)
    for one, _, _, found in _answers(store, days):
        one.days = Totals.of(found)
    hours = ((one, *span, HOUR_US) for one in renewals for span in one.hours_to_ask())
    for one, start_us, end_us, found in _answers(store, hours):
        one.hours = one.hours.replaced(Totals.of(found), start_us, end_us)
    means = (
        (one, *run, step_of(one.series.key.quantity))
        for one in renewals
        for run in runs(one.changed_hours(), HOUR_US)
    )
    for one, start_us, end_us, found in _answers(store, means):
        one.means.append((found, start_us, end_us))
    for one in renewals:
        one.done()


def _answers(
    store: Store, asked: Iterable[tuple[Renewal, int, int, int]]
) -> Iterator[tuple[Renewal, int, int, Buckets]]:
    """The answers to questions for a series' start, end and length of spans; alike ones at once."""
    alike: dict[tuple[int, int, int], list[Renewal]] = defaultdict(list)
    for one, *question in asked:
        alike[question[0], question[1], question[2]].append(one)
    for (start_us, end_us, span_us), ones in alike.items():
        at_once = max(1, MOST_SPANS // (1 + (end_us - start_us) // span_us))
        for first in range(0, len(ones), at_once):
            some = ones[first : first + at_once]
            keys = [one.series.key for one in some]
            found = store.aggregates(keys, start_us, end_us, span_us, wanted=MEAN_ALONE)
            for one, buckets in zip(some, found, strict=True):
                yield one, start_us, end_us, buckets
