"""Writing to VictoriaMetrics: checked before it is sent, rewrites under a higher revision."""

from __future__ import annotations

import logging
import math
import threading
import time
from collections.abc import Iterator, Mapping, Sequence
from typing import Final

from service.errors import StoreRefusedError
from service.store.http import Remote, refused
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

#: Revision and reading that are stored, by time in milliseconds.
_Stored = Mapping[int, tuple[int, Reading]]


class Writer:
    """Writes batches, one at a time."""

    def __init__(self, api: Api, remote: Remote, recent: Recent) -> None:
        """Use a server.

        Args:
            api: for reading what is stored.
            remote: with the address before ``/write``.
        """
        self._api = api
        self._remote = remote
        self._recent = recent
        self._newest_ms: dict[SeriesKey, int] = {}
        self.lock = threading.RLock()
        self.left_out = 0

    def write(self, readings: Sequence[Reading], retention_ms: int | None) -> None:
        """Write a batch.

        Args:
            retention_ms: what is older is left out and counted.

        Raises:
            StoreRefusedError: a reading lies more than two days ahead.
        """
        now_ms = time.time_ns() // 1_000_000
        by_names: dict[tuple[str, str, str], dict[int, Reading]] = {}
        oldest_ms = 0 if retention_ms is None else now_ms - retention_ms
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
            names = (reading.tank, reading.quantity, reading.sensor)
            by_time = by_names.get(names)
            if by_time is None:
                by_time = by_names[names] = {}
            by_time[time_ms] = reading
        if left_out:
            self.left_out += left_out
            _log.warning("%d readings older than the retention were left out", left_out)
        by_key = {SeriesKey(*names): by_time for names, by_time in by_names.items()}
        with self.lock:
            self._send(self._revised(by_key, now_ms - _FRESH_MS))

    def _revised(
        self, by_key: dict[SeriesKey, dict[int, Reading]], fresh_ms: int
    ) -> dict[SeriesKey, list[Written]]:
        """The readings with their revisions, sorted by time."""
        doubted = {}
        for key, by_time in by_key.items():
            newest_ms = self._newest_ms.get(key, 0)
            times = [t for t in by_time if t < fresh_ms or t <= newest_ms]
            if times:
                doubted[key] = times
        stored = self._stored(doubted)
        return {
            key: self._of_series(by_time, stored.get(key, {})) for key, by_time in by_key.items()
        }

    def _of_series(self, by_time: Mapping[int, Reading], stored: _Stored) -> list[Written]:
        times = sorted(by_time)
        if not stored:
            return [Written(by_time[time_ms], time_ms, 0) for time_ms in times]
        return [
            Written(
                by_time[time_ms], time_ms, self._revision(by_time[time_ms], stored.get(time_ms))
            )
            for time_ms in times
        ]

    def _stored(self, doubted: dict[SeriesKey, list[int]]) -> dict[SeriesKey, _Stored]:
        """What is stored for the doubted times."""
        keys = sorted(doubted, key=lambda key: min(doubted[key]))
        stored: dict[SeriesKey, _Stored] = {}
        for at in range(0, len(keys), _SERIES_PER_REQUEST):
            some = keys[at : at + _SERIES_PER_REQUEST]
            selectors = [vm_api.selector(_EVERYTHING, vm_api.of_series(key)) for key in some]
            start_ms = min(min(doubted[key]) for key in some)
            end_ms = max(max(doubted[key]) for key in some) + 1
            shown = self._api.export(selectors, start_ms, end_ms)
            for key in some:
                there = _at_times(key, shown.get(key), doubted[key])
                for time_ms, written in self._recent.at(key, doubted[key]).items():
                    known = there.get(time_ms)
                    if known is None or known[0] <= written.revision:
                        there[time_ms] = (written.revision, written.reading)
                stored[key] = there
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

    def _send(self, series: Mapping[SeriesKey, list[Written]]) -> None:
        for parts in _requests(series):
            lines = [line for key, written in parts.items() for line in _lines(key, written)]
            self._post("\n".join(lines).encode())
            for key, written in parts.items():
                self._recent.add(key, {one.time_ms: one for one in written})
                self._newest_ms[key] = max(self._newest_ms.get(key, 0), written[-1].time_ms)

    def _post(self, lines: bytes) -> None:
        params = {"precision": "ns"}
        with self._remote.request("POST", "/write", params=params, body=lines) as answer:
            if not answer.ok:
                raise refused(self._remote.base, answer.status_code, answer.text)

    def forget_tank(self, tank: str) -> None:
        """Forget what was written of a tank."""
        for key in [key for key in self._newest_ms if key.tank == tank]:
            del self._newest_ms[key]


def _requests(
    series: Mapping[SeriesKey, list[Written]],
) -> Iterator[dict[SeriesKey, list[Written]]]:
    """Parts of series, as many readings as one request takes."""
    parts: dict[SeriesKey, list[Written]] = {}
    room = LINES_PER_REQUEST
    for key, written in series.items():
        at = 0
        while at < len(written):
            parts[key] = written[at : at + room]
            at += len(parts[key])
            room -= len(parts[key])
            if not room:
                yield parts
                parts, room = {}, LINES_PER_REQUEST
    if parts:
        yield parts


def _at_times(
    key: SeriesKey, history: History | None, times_ms: list[int]
) -> dict[int, tuple[int, Reading]]:
    if history is None:
        return {}
    wanted = set(times_ms)
    return {
        time_ms: (int(history.revision[at]), history.reading(key, at))
        for at, time_ms in enumerate(history.time_ms.tolist())
        if time_ms in wanted
    }


def _lines(key: SeriesKey, written: list[Written]) -> Iterator[str]:
    head, of_revision = line_head(key), 0
    for reading, time_ms, revision in written:
        if revision != of_revision:
            head, of_revision = line_head(key, revision), revision
        flags = int(reading.flags)  # the operators of IntFlag are slow
        fields = f"{'doubtful' if flags & _UNUSABLE else 'value'}={reading.value!r}"
        if flags:
            fields += f",flags={flags}"
        if reading.raw is not None:
            fields += f",raw={reading.raw!r}"
        yield f"{head}{fields} {time_ms}000000"
