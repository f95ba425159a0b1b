"""What one request may read of the store: counted first, and refused where it is too much."""

from __future__ import annotations

from collections.abc import Collection
from datetime import datetime
from typing import Final

from service.api.context import current
from service.api.http.problems.faults import invalid_option
from service.errors import InvalidInputError
from service.store import (
    AGGREGATES,
    MEAN_ALONE,
    Aggregate,
    Buckets,
    Extent,
    ReadableStore,
    Reading,
    Samples,
    SeriesInfo,
    SeriesKey,
)
from service.times import format_moment

_MINUTE_US: Final = 60_000_000
DAY_US: Final = 86_400_000_000
COST_OF_A_READ: Final = 50
"""Values that a read counts as at least, so that many empty ones have an end too. Our choice."""


def budgeted_store(start: datetime, narrower: str) -> BudgetedStore:
    """The store for one request, with the budget of the configuration.

    Args:
        start: of the time that the request asks for; a refusal names it.
        narrower: what else than a shorter time makes the question smaller.
    """
    context = current()
    return BudgetedStore(context.store, context.config.http.values_per_request, start, narrower)


class BudgetedStore:
    """A store that gives one request so many values and no more.

    Readings of more than a day are counted, by the store's own sums, before they are read; spans
    are as many as fit into the time, whether they hold readings or not.
    """

    def __init__(self, store: ReadableStore, most: int, start: datetime, narrower: str) -> None:
        """See ``budgeted_store``."""
        self._store = store
        self._most = most
        self._start = start
        self._narrower = narrower
        self._used = 0

    def read(
        self,
        key: SeriesKey,
        start_us: int,
        end_us: int,
        *,
        flagged: bool = False,
        raw: bool = False,
    ) -> Samples:
        """As ``ReadableStore.read``.

        Raises:
            InvalidInputError: it would be more than the budget has left.
        """
        long = end_us - start_us > DAY_US
        self._check(int(self.days(key, start_us, end_us).count.sum()) if long else 0)
        found = self._store.read(key, start_us, end_us, flagged=flagged, raw=raw)
        self._charge(max(len(found), COST_OF_A_READ))
        return found

    def aggregate(
        self,
        key: SeriesKey,
        start_us: int,
        end_us: int,
        every_us: int,
        *,
        wanted: Collection[Aggregate] = AGGREGATES,
    ) -> Buckets:
        """As ``ReadableStore.aggregate``; errors as ``read``.

        Spans that are no whole minutes are made of the readings themselves, so those count too.
        """
        spans = (end_us - start_us) // every_us + 1
        whole = every_us % _MINUTE_US == 0
        readings = 0 if whole else int(self.days(key, start_us, end_us).count.sum())
        self._charge(max(spans + readings, COST_OF_A_READ))
        return self._store.aggregate(key, start_us, end_us, every_us, wanted=wanted)

    def days(self, key: SeriesKey, start_us: int, end_us: int) -> Buckets:
        """How many usable readings each day (UTC) has that a time touches; reads none of them."""
        return self._store.aggregate(key, start_us, end_us, DAY_US, wanted=MEAN_ALONE)

    def series(self, tank: str | None = None) -> list[SeriesInfo]:
        """As ``ReadableStore.series``."""
        return self._store.series(tank)

    def extent(self, key: SeriesKey) -> Extent | None:
        """As ``ReadableStore.extent``."""
        return self._store.extent(key)

    def latest(self, key: SeriesKey, *, flagged: bool = False) -> Reading | None:
        """As ``ReadableStore.latest``."""
        return self._store.latest(key, flagged=flagged)

    def _check(self, values: int) -> None:
        if self._used + values > self._most:
            raise self._too_much(self._used + values)

    def _charge(self, values: int) -> None:
        self._check(values)
        self._used += values

    def _too_much(self, values: int) -> InvalidInputError:
        return invalid_option(
            "start",
            format_moment(self._start),
            f"a time up to `end` for which at most {self._most} values are read "
            f"(http.values_per_request); this needs {values} or more: ask for {self._narrower}",
        )
