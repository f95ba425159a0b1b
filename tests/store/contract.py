"""What the contract suite is written with: readings of one series, and what a store holds."""

from __future__ import annotations

import math
import time
from datetime import UTC, datetime

import numpy as np

from service.store import Flag, Reading, SeriesKey
from service.times import to_us

SECOND = 1_000_000
MINUTE, HOUR, DAY = 60 * SECOND, 3600 * SECOND, 86_400 * SECOND
#: A Sunday shortly before midnight UTC, not aligned to anything longer than a second.
T0 = to_us(datetime(2026, 3, 1, 22, 41, 17, tzinfo=UTC))
TANK, PH = "quarry-pool", "ph"
KEY = SeriesKey(TANK, PH, "probe-1")


def reading(time_us, value, *, key=KEY, flags=Flag.NONE, raw=None):
    return Reading(key.tank, key.quantity, key.sensor, time_us, value, flags, raw)


def held(store, key=KEY, start=0, end=T0 + 1000 * DAY, *, flagged=True):
    samples = store.read(key, start, end, flagged=flagged)
    assert samples.time_us.dtype == np.int64
    assert samples.value.dtype == np.float64
    assert samples.flags.dtype == np.int32
    value = np.array([rounded(store, v) for v in samples.value.tolist()])
    return list(zip(samples.time_us.tolist(), value.tolist(), samples.flags.tolist(), strict=True))


def rounded(store, value):
    """A value to as many digits as the store promises."""
    return float(f"{value:.10g}") if store.value_tolerance else value


def resolved(store, time_us):
    """The time as the store keeps it."""
    return time_us // store.time_resolution_us * store.time_resolution_us


def eventually(store, holds):
    """Wait for what another object wrote, as long as the store says that it takes."""
    end = time.monotonic() + store.visible_after_s + 5
    while not holds() and time.monotonic() < end:
        time.sleep(0.1 if store.visible_after_s == 0 else 1.0)
    assert holds()


def expect_buckets(store, buckets, times, values, every):
    """Compare with plain Python arithmetic on the raw readings."""
    close = {"rtol": max(1e-12, store.value_tolerance)}
    spans = {}
    for time_us, value in sorted(zip(times, values, strict=True)):
        spans.setdefault(time_us // every * every, []).append(value)
    assert buckets.every_us == every
    assert buckets.start_us.tolist() == sorted(spans)
    rows = [spans[start] for start in sorted(spans)]
    assert buckets.count.tolist() == [len(row) for row in rows]
    np.testing.assert_allclose(buckets.sum, [math.fsum(row) for row in rows], **close)
    np.testing.assert_allclose(buckets.mean, [math.fsum(r) / len(r) for r in rows], **close)
    np.testing.assert_allclose(buckets.min, [min(row) for row in rows], **close)
    np.testing.assert_allclose(buckets.max, [max(row) for row in rows], **close)
    np.testing.assert_allclose(buckets.first, [row[0] for row in rows], **close)
    np.testing.assert_allclose(buckets.last, [row[-1] for row in rows], **close)
