"""What this process wrote to VictoriaMetrics within the last half minute.

The server shows new points after about a second and a new series after up to ten, so until then
they are answered from here.
"""

from __future__ import annotations

import threading
import time
from collections import defaultdict, deque
from collections.abc import Callable, Iterable, Mapping
from typing import Final, NamedTuple

import numpy as np

from service.store.model import Reading, SeriesKey
from service.store.victoriametrics.history import History, nothing

#: Longer than the server takes to show a new series.
KEPT_S: Final = 30.0
#: Bounds the memory during a bulk import, whose points show after a second.
MOST: Final = 200_000


class Written(NamedTuple):
    """A reading as written: its time as the server keeps it, and its revision."""

    reading: Reading
    time_ms: int
    revision: int


class Recent:
    """The latest writes; safe to use from several threads."""

    def __init__(self, clock_s: Callable[[], float] = time.monotonic) -> None:
        self._clock_s = clock_s
        self._lock = threading.Lock()
        self._by_key: dict[SeriesKey, dict[int, Written]] = defaultdict(dict)
        #: What was added, oldest first: when, of which series, and by time.
        self._order: deque[tuple[float, SeriesKey, Mapping[int, Written]]] = deque()
        self._count = 0

    def add(self, key: SeriesKey, written: Mapping[int, Written]) -> None:
        """Remember what was written of a series, by time; the oldest is forgotten."""
        now = self._clock_s()
        with self._lock:
            self._by_key[key].update(written)
            self._order.append((now, key, written))
            self._count += len(written)
            self._forget_old(now)

    def _forget_old(self, now: float) -> None:
        while self._order and (self._order[0][0] < now - KEPT_S or self._count > MOST):
            _, key, written = self._order.popleft()
            self._count -= len(written)
            by_time = self._by_key.get(key)
            if by_time is None:
                continue
            for time_ms, one in written.items():
                if by_time.get(time_ms) is one:
                    del by_time[time_ms]
            if not by_time:
                del self._by_key[key]

    def forget_tank(self, tank: str) -> None:
        """Forget a tank's writes."""
        with self._lock:
            for key in [key for key in self._by_key if key.tank == tank]:
                del self._by_key[key]

    def series(self) -> list[SeriesKey]:
        """The series that were written to."""
        with self._lock:
            return list(self._by_key)

    def at(self, key: SeriesKey, times_ms: Iterable[int]) -> dict[int, Written]:
        """What was written of a series for some times, by time."""
        with self._lock:
            by_time = self._by_key.get(key)
            if by_time is None:
                return {}
            return {time_ms: by_time[time_ms] for time_ms in times_ms if time_ms in by_time}

    def history(self, key: SeriesKey, start_ms: int, end_ms: int) -> History:
        """What was written of a series in [start_ms, end_ms)."""
        with self._lock:
            self._forget_old(self._clock_s())
            chosen = [
                one
                for time_ms, one in sorted(self._by_key.get(key, {}).items())
                if start_ms <= time_ms < end_ms
            ]
        if not chosen:
            return nothing()
        raw = [np.nan if one.reading.raw is None else one.reading.raw for one in chosen]
        return History(
            np.array([one.time_ms for one in chosen], np.int64),
            np.array([one.revision for one in chosen], np.int64),
            np.array([one.reading.value for one in chosen], np.float64),
            np.array([int(one.reading.flags) for one in chosen], np.int64),
            np.array(raw, np.float64),
        )
