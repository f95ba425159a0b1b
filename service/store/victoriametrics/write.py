"""Writing to VictoriaMetrics: checked before it is sent, rewrites under a higher revision."""

from __future__ import annotations

import logging
import math
import threading
import time
from collections.abc import Sequence
from typing import Final

from service.errors import StoreRefusedError
from service.store.influx.write import V2Writer
from service.store.line_protocol import LINES_PER_REQUEST, line_head
from service.store.model import NOT_USABLE, Reading, SeriesKey
from service.store.victoriametrics import api as vm_api
from service.store.victoriametrics.api import Api
from service.store.victoriametrics.history import (
    DOUBTFUL,
    FLAGS,
    RAW,
    VALUE,
    VALUE_TOLERANCE,
    History,
)
from service.store.victoriametrics.recent_writes import Recent, Written

_log = logging.getLogger(__name__)
_EVERYTHING: Final = vm_api.any_of(VALUE, DOUBTFUL, FLAGS, RAW)
_UNUSABLE: Final = int(NOT_USABLE)
#: The server drops what lies further ahead.
_AHEAD_MS: Final = 2 * 86_400_000 - 60_000
#: Readings as fresh as this, and newer than all that this process wrote of their series, are
#: taken to be first ones; for all others the server is asked what it has.
_FRESH_MS: Final = 60_000
_SERIES_PER_REQUEST: Final = 40


class Writer:
    """Writes batches, one at a time."""

    def __init__(self, api: Api, lines: V2Writer, recent: Recent) -> None:
        self._api = api
        self._lines = lines
        self._recent = recent
        self._newest_ms: dict[SeriesKey, int] = {}
        self.lock = threading.RLock()
        self.retention_ms: int | None = None
        self.left_out = 0

    def write(self, readings: Sequence[Reading]) -> None:
        """Write a batch.

        Raises:
            StoreRefusedError: a reading lies more than two days ahead.
        """
        now_ms = time.time_ns() // 1_000_000
        by_key: dict[SeriesKey, dict[int, Reading]] = {}
        oldest_ms = 0 if self.retention_ms is None else now_ms - self.retention_ms
        left_out = 0
        for reading in readings:
            time_ms = reading.time_us // 1000
            if time_ms > now_ms + _AHEAD_MS:
                raise StoreRefusedError(
                    f"time_us of a reading of {reading.tank}/{reading.quantity}/{reading.sensor} "
                    f"is {reading.time_us}; allowed: up to two days ahead of now"
                )
            if time_ms <= oldest_ms:
                left_out += 1
                continue
            # Of two readings at one time the later in the batch stays.
            by_key.setdefault(reading.key, {})[time_ms] = reading
        if left_out:
            self.left_out += left_out
            _log.warning("%d readings older than the retention were left out", left_out)
        with self.lock:
            self._send(self._revised(by_key, now_ms - _FRESH_MS))

    def _revised(self, by_key: dict[SeriesKey, dict[int, Reading]], fresh_ms: int) -> list[Written]:
        """The readings with their revisions."""
        doubted = {
            key: [t for t in by_time if t < fresh_ms or t <= self._newest_ms.get(key, 0)]
            for key, by_time in by_key.items()
        }
        stored = self._stored({key: times for key, times in doubted.items() if times})
        return [
            Written(reading, time_ms, self._revision(reading, stored.get((key, time_ms))))
            for key, by_time in by_key.items()
            for time_ms, reading in sorted(by_time.items())
        ]

    def _stored(
        self, doubted: dict[SeriesKey, list[int]]
    ) -> dict[tuple[SeriesKey, int], tuple[int, Reading]]:
        """What is stored for the doubted times: revision and reading."""
        keys = sorted(doubted, key=lambda key: min(doubted[key]))
        stored: dict[tuple[SeriesKey, int], tuple[int, Reading]] = {}
        for at in range(0, len(keys), _SERIES_PER_REQUEST):
            some = keys[at : at + _SERIES_PER_REQUEST]
            selectors = [vm_api.selector(_EVERYTHING, vm_api.of_series(key)) for key in some]
            start_ms = min(min(doubted[key]) for key in some)
            end_ms = max(max(doubted[key]) for key in some) + 1
            shown = self._api.export(selectors, start_ms, end_ms)
            for key in some:
                stored.update(_at_times(key, shown.get(key), doubted[key]))
                for time_ms in doubted[key]:
                    written = self._recent.get(key, time_ms)
                    known = stored.get((key, time_ms))
                    if written and (known is None or known[0] <= written.revision):
                        stored[key, time_ms] = (written.revision, written.reading)
        return stored

    @staticmethod
    def _revision(reading: Reading, stored: tuple[int, Reading] | None) -> int:
        if stored is None:
            return 0
        revision, before = stored
        same = (
            math.isclose(reading.value, before.value, rel_tol=VALUE_TOLERANCE)
            and reading.flags == before.flags
            and (reading.raw is None) == (before.raw is None)
            and math.isclose(reading.raw or 0.0, before.raw or 0.0, rel_tol=VALUE_TOLERANCE)
        )
        return revision if same else revision + 1

    def _send(self, written: list[Written]) -> None:
        for at in range(0, len(written), LINES_PER_REQUEST):
            some = written[at : at + LINES_PER_REQUEST]
            self._lines.write("\n".join(map(_line, some)).encode())
            self._recent.add(some)
            for one in some:
                key = one.reading.key
                self._newest_ms[key] = max(self._newest_ms.get(key, 0), one.time_ms)

    def forget_tank(self, tank: str) -> None:
        """Forget what was written of a tank."""
        for key in [key for key in self._newest_ms if key.tank == tank]:
            del self._newest_ms[key]


def _at_times(
    key: SeriesKey, history: History | None, times_ms: list[int]
) -> dict[tuple[SeriesKey, int], tuple[int, Reading]]:
    if history is None:
        return {}
    wanted = set(times_ms)
    return {
        (key, time_ms): (int(history.revision[at]), history.reading(key, at))
        for at, time_ms in enumerate(history.time_ms.tolist())
        if time_ms in wanted
    }


def _line(written: Written) -> str:
    reading = written.reading
    field = "doubtful" if reading.flags & _UNUSABLE else "value"
    fields = f"{field}={reading.value!r}"
    if reading.flags:
        fields += f",flags={int(reading.flags)}"
    if reading.raw is not None:
        fields += f",raw={reading.raw!r}"
    return f"{line_head(reading.key, written.revision)}{fields} {written.time_ms}000000"
