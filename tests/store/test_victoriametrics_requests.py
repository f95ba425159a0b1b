"""What the VictoriaMetrics store asks of the server: short spans, and lines in bounded requests."""

from __future__ import annotations

import gzip
import time
from collections import Counter
from typing import Any, cast

import numpy as np
import pytest
import requests_mock

from service.store import Flag, Reading, SeriesKey, open_store
from service.store.line_protocol import LINES_PER_REQUEST
from service.store.model import NOT_USABLE
from service.store.victoriametrics.api import Api
from service.store.victoriametrics.history import History
from service.store.victoriametrics.recent_writes import Recent
from service.store.victoriametrics.series import SeriesIndex

KEY = SeriesKey("cove", "temperature", "probe")
DAY_MS = 86_400_000


class Server:
    """A server with one series, that notes which spans it had to read."""

    def __init__(self, times_ms: list[int], flags: list[int]) -> None:
        self.times_ms = np.array(times_ms)
        self.flags = np.array(flags)
        self.read: list[int] = []

    def _between(self, start_ms: int, end_ms: int) -> Any:
        found = (self.times_ms >= start_ms) & (self.times_ms < end_ms)
        self.read.append(int(found.sum()))
        return found

    def export(self, _: object, start_ms: int, end_ms: int) -> dict[SeriesKey, History]:
        """See ``Api.export``."""
        at = self._between(start_ms, end_ms)
        times, none = self.times_ms[at], np.full(int(at.sum()), np.nan)
        return {KEY: History(times, np.zeros_like(times), times / 1e3, self.flags[at], none)}

    def last_times_ms(self, _: object, start_ms: int, end_ms: int) -> dict[SeriesKey, int]:
        """See ``Api.last_times_ms``."""
        times = self.times_ms[self._between(start_ms, end_ms)]
        return {KEY: int(times[-1])} if len(times) else {}

    def keys(self, _: object, start_ms: int, end_ms: int) -> set[SeriesKey]:
        """See ``Api.keys``."""
        return {KEY}


@pytest.mark.parametrize("silent_days", [4, 40, 330, 3000])
def test_the_newest_value_of_a_silent_series_reads_no_more_than_a_part_of_the_silence(
    silent_days: int,
) -> None:
    newest_ms = time.time_ns() // 1_000_000 - silent_days * DAY_MS
    times = [newest_ms - n * 3_600_000 for n in range(15 * 365 * 24, -1, -1)]
    server = Server(times, [0] * len(times))
    found = SeriesIndex(cast(Api, server), Recent()).latest(KEY, flagged=False)
    assert found is not None
    assert found.time_us == newest_ms * 1000
    assert sum(server.read) <= 24 * (silent_days / 2 + 8)


def test_the_newest_usable_value_is_found_behind_thousands_that_are_not() -> None:
    newest_ms = time.time_ns() // 1_000_000 - 100 * DAY_MS
    times = [newest_ms - n * 10_000 for n in range(30_000, -1, -1)]
    flags = [0] * 10_001 + [int(Flag.STUCK)] * 20_000
    assert flags[-1] & int(NOT_USABLE)
    server = Server(times, flags)
    index = SeriesIndex(cast(Api, server), Recent())
    usable, newest = index.latest(KEY, flagged=False), index.latest(KEY, flagged=True)
    assert usable is not None
    assert newest is not None
    assert usable.time_us == times[10_000] * 1000
    assert newest.time_us == newest_ms * 1000
    assert len(server.read) < 60


def test_each_reading_of_a_large_batch_is_sent_once_in_bounded_requests() -> None:
    now_us = time.time_ns() // 1000
    readings = [
        Reading("cove", quantity, "probe", now_us - n * 1_000_000, 20.0 + n, flags, raw)
        for quantity, count in (("temperature", 7001), ("ph", 4999), ("conductivity", 12))
        for n in range(count)
        for flags, raw in ((Flag.SPIKE, 1.5) if n == 7 else (Flag.NONE, None),)
    ]
    with requests_mock.Mocker() as server:
        server.get("http://127.0.0.1:9/api/v1/query", json={})
        server.get("http://127.0.0.1:9/metrics", text="")
        server.post("http://127.0.0.1:9/api/v1/export", text="")
        server.post("http://127.0.0.1:9/write", status_code=204)
        store = open_store("victoriametrics://127.0.0.1:9?token=invented")
        store.write(readings)
        store.close()
        sent = [one for one in server.request_history if one.path == "/write"]
    bodies = [gzip.decompress(one.body).decode().split("\n") for one in sent]
    assert max(map(len, bodies)) <= LINES_PER_REQUEST
    assert Counter(line for body in bodies for line in body) == Counter(map(line_of, readings))
    assert {one.headers["Authorization"] for one in sent} == {"Bearer invented"}


def line_of(reading: Reading) -> str:
    """A reading as the server should get it: InfluxDB line protocol, nanoseconds."""
    field = "value" if reading.flags == Flag.NONE else "doubtful"
    more = "" if reading.flags == Flag.NONE else f",flags={int(reading.flags)},raw={reading.raw}"
    names = f"reading,quantity={reading.quantity},sensor=probe,tank=cove"
    return f"{names} {field}={reading.value}{more} {reading.time_us // 1000}000000"
