"""Which series VictoriaMetrics holds, and the newest reading of each.

The server has no cheap answer for a series that fell silent long ago: it is looked for through
all time once in a while, and what is newer is added at each question.
"""

from __future__ import annotations

import threading
import time
from typing import Final

from service.store.checks import MIN_TIME_US
from service.store.model import Reading, SeriesInfo, SeriesKey
from service.store.victoriametrics import api as vm_api
from service.store.victoriametrics import history as vm_history
from service.store.victoriametrics.api import Api
from service.store.victoriametrics.history import DOUBTFUL, FLAGS, RAW, VALUE
from service.store.victoriametrics.recent_writes import Recent

_EVERYTHING: Final = vm_api.any_of(VALUE, DOUBTFUL, FLAGS, RAW)
#: All time is looked through again after this long, in case older readings came by other ways.
RENEW_S: Final = 600.0
_MIN_TIME_MS: Final = MIN_TIME_US // 1000
_HOUR_MS: Final = 3_600_000
_AHEAD_MS: Final = 3 * 86_400_000
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
        now_ms = time.time_ns() // 1_000_000
        with self._lock:
            known = self._known.get(tank)
        if known is None or time.monotonic() - known.renewed_s > RENEW_S:
            known = _Known(time.monotonic(), now_ms - _HOUR_MS, {})
        last = known.last | self._newer(tank, known.asked_ms - _OVERLAP_MS, now_ms)
        shown = self._api.keys(vm_api.of_tank(tank), _MIN_TIME_MS, now_ms + _AHEAD_MS)
        last |= self._silent(tank, shown - last.keys(), now_ms)
        last = {key: reading for key, reading in last.items() if key in shown}
        with self._lock:
            self._known[tank] = _Known(known.renewed_s, now_ms, last)
        last = dict(last)
        for key in self._recent.keys(tank):
            written = self._recent.history(key, 0, now_ms + _AHEAD_MS).newest(key, flagged=True)
            if written and (key not in last or written.time_us >= last[key].time_us):
                last[key] = written
        return [SeriesInfo(key, last[key]) for key in sorted(last)]

    def _silent(
        self, tank: str | None, keys: set[SeriesKey], now_ms: int
    ) -> dict[SeriesKey, Reading]:
        """The newest readings of series that have none of the last hour."""
        if not keys:
            return {}
        end_ms = now_ms + _AHEAD_MS
        times = self._api.last_times_ms(vm_api.of_tank(tank), _MIN_TIME_MS, end_ms)
        found = {key: self._at(key, times[key]) for key in keys & times.keys()}
        return {key: reading for key, reading in found.items() if reading is not None}

    def _newer(self, tank: str | None, since_ms: int, now_ms: int) -> dict[SeriesKey, Reading]:
        chosen = vm_api.selector(_EVERYTHING, vm_api.of_tank(tank))
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
        chosen = vm_api.selector(_EVERYTHING, vm_api.of_series(key))
        span_ms = _AHEAD_MS + _HOUR_MS
        while True:
            start_ms = max(_MIN_TIME_MS, end_ms - span_ms)
            shown = self._api.export([chosen], start_ms, end_ms)
            written = self._recent.history(key, start_ms, end_ms)
            history = vm_history.merged([*shown.values(), written])
            found = history.newest(key, flagged=flagged)
            if found is not None or start_ms == _MIN_TIME_MS:
                return found
            # Nothing there: go on from the newest reading that lies before.
            times = self._api.last_times_ms(vm_api.of_series(key), _MIN_TIME_MS, start_ms)
            before = self._recent.history(key, 0, start_ms)
            candidates = [*times.values(), *before.time_ms[-1:].tolist()]
            if not candidates:
                return None
            end_ms = max(candidates) + 1
            span_ms *= 2

    def forget_tank(self, tank: str) -> None:
        """Forget a tank's series."""
        with self._lock:
            self._known.pop(tank, None)
            self._known.pop(None, None)
