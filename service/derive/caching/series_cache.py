"""Means of series that are read again and again, checked against what the store holds each time.

Beside the means it remembers the number and the sum of the readings of each hour and day. At each
reading those of the days are asked of the store, and those of the hours of each day that differs;
the means of the hours that differ are read again. So readings that came late, were imported or
recalculated count at once. All hours are compared whenever another hour begins: that finds the
rewriting that leaves the number and the sum of a day exactly as they were.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable

from service.derive.caching.series_refresh import CachedSeries, Renewal, refresh
from service.derive.caching.series_totals import Totals
from service.derive.series_reading import HOUR_US, as_samples, step_of
from service.store.interface import Store
from service.store.model import MEAN_ALONE, Samples, SeriesKey


class SeriesCache:
    """The means of the series of one tank; not for several threads at a time."""

    def __init__(self, store: Store, window_us: int) -> None:
        """Empty at first.

        Args:
            window_us: at least so much before the end is read and checked each time.
        """
        self._store = store
        self._window_us = window_us
        self._series: dict[SeriesKey, CachedSeries] = {}
        self._asked: dict[SeriesKey, Renewal] = {}

    def read(self, key: SeriesKey, start_us: int, end_us: int) -> Samples:
        """The means of a series in [start_us, end_us), as ``loader.means`` reads them."""
        first_us = min(start_us, end_us - self._window_us) // HOUR_US * HOUR_US
        if not self._is_fresh(key, first_us, end_us):
            refresh(self._store, [self._renewal(key, first_us, end_us)])
        one, step_us = self._series[key], step_of(key.quantity)
        last_us = -(-end_us // step_us) * step_us
        here = slice(*one.start_us.searchsorted((start_us // step_us * step_us, last_us)))
        return as_samples(one.start_us[here], one.mean[here], step_us, end_us)

    def renewals(self, keys: Iterable[SeriesKey], end_us: int) -> list[Renewal]:
        """What ``refresh`` reads; until ``ask_again``, ``read`` takes it for what the store holds.

        Args:
            end_us: that ``read`` will be asked for.
        """
        first_us = (end_us - self._window_us) // HOUR_US * HOUR_US
        self._asked = {key: self._renewal(key, first_us, end_us) for key in keys}
        return list(self._asked.values())

    def ask_again(self) -> None:
        """Ask the store at each reading from here on."""
        self._asked = {}

    def hours(self, key: SeriesKey) -> Totals:
        """The hours of a series as last read."""
        found = self._series.get(key)
        return Totals() if found is None else found.hours

    def keep_only(self, keys: Collection[SeriesKey]) -> None:
        """Drop all series but these."""
        for key in self._series.keys() - set(keys):
            del self._series[key]

    def _is_fresh(self, key: SeriesKey, first_us: int, end_us: int) -> bool:
        """Whether a series was read from one time to another since ``renewals``."""
        asked = self._asked.get(key)
        return (
            asked is not None
            and asked.is_done
            and asked.first_us == first_us
            and (asked.end_us == end_us)
        )

    def _renewal(self, key: SeriesKey, first_us: int, end_us: int) -> Renewal:
        one = self._series.get(key)
        if one is None:
            one = self._series[key] = CachedSeries(key)
        return Renewal(one, first_us, end_us)


def read_totals(store: Store, key: SeriesKey, start_us: int, end_us: int) -> Totals:
    """The totals of a series by hour from the store; errors as ``Store.aggregate``."""
    return Totals.of(store.aggregate(key, start_us, end_us, HOUR_US, wanted=MEAN_ALONE))
