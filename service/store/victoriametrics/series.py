"""Which series VictoriaMetrics holds, and the newest reading of each.

The server has no cheap answer for a series that fell silent long ago: to find its newest reading in
a span it reads the whole span. So the spans before now are asked one after the other, the nearest
and shortest first; those without readings cost next to nothing.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Sequence, Set
from typing import Final

from service.store.checks import MIN_TIME_US
from service.store.model import Reading, SeriesInfo, SeriesKey
from service.store.victoriametrics import api as vm_api
from service.store.victoriametrics import history as vm_history
from service.store.victoriametrics.api import Api
from service.store.victoriametrics.history import DOUBTFUL, FLAGS, RAW, VALUE, History
from service.store.victoriametrics.recent_writes import Recent

_EVERYTHING: Final = vm_api.any_of(VALUE, DOUBTFUL, FLAGS, RAW)
#: All time is looked through again after this long, in case older readings came by other ways.
RENEW_S: Final = 600.0
_MIN_TIME_MS: Final = MIN_TIME_US // 1000
_HOUR_MS: Final = 3_600_000
_AHEAD_MS: Final = 3 * 86_400_000
#: Of the spans that are asked, each begins so many times as far back as the one before it.
_FURTHER: Final = 1.5
#: Milliseconds in which a usable reading is looked for before one that is not, at first.
_LEAST_SPAN_MS: Final = 1000
#: How far before the last question newer readings are looked for: beyond what shows late.
_OVERLAP_MS: Final = 60_000


class _Known:
    """The series of one tank (or of all), as of the last question."""

    def __init__(self, renewed_s: float, asked_ms: int, last: dict[SeriesKey, Reading]) -> None:
        self.renewed_s = renewed_s
        self.asked_ms = asked_ms
        self.last = last


class SeriesIndex:
    """Answers ``series`` and ``latest``; safe to use from several threads."""

    def __init__(self, api: Api, recent: Recent) -> None:
        self._api = api
        self._recent = recent
        self._known: dict[str | None, _Known] = {}
        self._lock = threading.Lock()

    def series(self, tank: str | None) -> list[SeriesInfo]:
        """The series of a tank, or all, sorted, each with its newest reading."""
        return self._infos([tank], vm_api.of_tank(tank))

    def series_of(self, tanks: Sequence[str]) -> list[SeriesInfo]:
        """The series of some tanks, sorted; for ``MOST_NAMED`` of them."""
        return self._infos(tanks, vm_api.of_tanks(tanks))

    def _infos(self, tanks: Sequence[str | None], condition: str) -> list[SeriesInfo]:
        """The series that a condition selects: those of some tanks; of all where one is None."""
        now_ms = time.time_ns() // 1_000_000
        known = self._known_of(tanks, now_ms)
        last: dict[SeriesKey, Reading] = {}
        for one in known.values():
            last |= one.last
        since_ms = min(one.asked_ms for one in known.values()) - _OVERLAP_MS
        last |= self._newer(condition, since_ms, now_ms)
        shown = self._api.keys(condition, _MIN_TIME_MS, now_ms + _AHEAD_MS)
        last |= self._silent(condition, shown - last.keys(), now_ms)
        last = {key: reading for key, reading in last.items() if key in shown}
        self._remember(known, last, now_ms)
        for key in self._recent.series():
            if key.tank not in known and None not in known:
                continue
            written = self._recent.history(key, 0, now_ms + _AHEAD_MS).newest(key, flagged=True)
            if written and (key not in last or written.time_us >= last[key].time_us):
                last[key] = written
        return [SeriesInfo(key, last[key]) for key in sorted(last)]

    def _known_of(self, tanks: Sequence[str | None], now_ms: int) -> dict[str | None, _Known]:
        """What is known of some tanks; nothing where it is too old."""
        at_s = time.monotonic()
        with self._lock:
            found = {tank: self._known.get(tank) for tank in tanks}
        return {
            tank: _Known(at_s, now_ms - _HOUR_MS, {})
            if one is None or at_s - one.renewed_s > RENEW_S
            else one
            for tank, one in found.items()
        }

    def _remember(
        self, known: dict[str | None, _Known], last: dict[SeriesKey, Reading], now_ms: int
    ) -> None:
        found: dict[str | None, dict[SeriesKey, Reading]] = {tank: {} for tank in known}
        for key, reading in last.items():
            found[None if None in known else key.tank][key] = reading
        with self._lock:
            for tank, one in known.items():
                self._known[tank] = _Known(one.renewed_s, now_ms, found[tank])

    def _silent(
        self, condition: str, keys: set[SeriesKey], now_ms: int
    ) -> dict[SeriesKey, Reading]:
        """The newest readings of series that have none of the last hour."""
        if not keys:
            return {}
        times = self._times_before(condition, now_ms + _AHEAD_MS, keys)
        found = {key: self._at(key, times[key]) for key in keys & times.keys()}
        return {key: reading for key, reading in found.items() if reading is not None}

    def _newer(self, condition: str, since_ms: int, now_ms: int) -> dict[SeriesKey, Reading]:
        chosen = vm_api.selector(_EVERYTHING, condition)
        found = self._api.export([chosen], max(since_ms, _MIN_TIME_MS), now_ms + _AHEAD_MS)
        newest = {key: history.newest(key, flagged=True) for key, history in found.items()}
        return {key: reading for key, reading in newest.items() if reading is not None}

    def _at(self, key: SeriesKey, time_ms: int) -> Reading | None:
        chosen = vm_api.selector(_EVERYTHING, vm_api.of_series(key))
        found = self._api.export([chosen], time_ms, time_ms + 1)
        return vm_history.merged(found.values()).newest(key, flagged=True)

    def latest(self, key: SeriesKey, *, flagged: bool) -> Reading | None:
        """The newest reading of one series, or the newest usable one."""
        end_ms = time.time_ns() // 1_000_000 + _AHEAD_MS
        start_ms = end_ms - _AHEAD_MS - _HOUR_MS
        found = self._between(key, start_ms, end_ms).newest(key, flagged=flagged)
        span_ms = _LEAST_SPAN_MS
        while found is None:
            # Nothing there: go on from the newest reading that lies before.
            newest_ms = self._newest_before(key, start_ms)
            if newest_ms is None:
                return None
            start_ms = max(_MIN_TIME_MS, newest_ms + 1 - span_ms)
            found = self._between(key, start_ms, newest_ms + 1).newest(key, flagged=flagged)
            span_ms *= 4
        return found

    def _between(self, key: SeriesKey, start_ms: int, end_ms: int) -> History:
        chosen = vm_api.selector(_EVERYTHING, vm_api.of_series(key))
        shown = self._api.export([chosen], start_ms, end_ms)
        return vm_history.merged([*shown.values(), self._recent.history(key, start_ms, end_ms)])

    def _newest_before(self, key: SeriesKey, end_ms: int) -> int | None:
        """The time of the newest reading of a series before a time, usable or not."""
        condition = vm_api.of_series(key)
        shown = self._api.keys(condition, _MIN_TIME_MS, end_ms) if end_ms > _MIN_TIME_MS else set()
        times = self._times_before(condition, end_ms, shown & {key})
        written = self._recent.history(key, 0, end_ms)
        return max([*times.values(), *written.time_ms[-1:].tolist()], default=None)

    def _times_before(
        self, condition: str, end_ms: int, keys: Set[SeriesKey]
    ) -> dict[SeriesKey, int]:
        """The time of the newest reading before a time of each of some series that has one.

        Args:
            condition: selects them, and perhaps others.
        """
        found: dict[SeriesKey, int] = {}
        missing = set(keys)
        back_ms = float(_AHEAD_MS + _HOUR_MS)
        high_ms = end_ms
        while missing and high_ms > _MIN_TIME_MS:
            low_ms = max(_MIN_TIME_MS, end_ms - int(back_ms))
            times = self._api.last_times_ms(condition, low_ms, high_ms)
            found |= {key: times[key] for key in missing & times.keys()}
            missing -= found.keys()
            high_ms, back_ms = low_ms, back_ms * _FURTHER
        return found

    def forget_tank(self, tank: str) -> None:
        """Forget a tank's series."""
        with self._lock:
            self._known.pop(tank, None)
            self._known.pop(None, None)
