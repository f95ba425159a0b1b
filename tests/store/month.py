"""Thirty days of one series, and what a store says of them."""

from __future__ import annotations

from datetime import UTC, datetime

import numpy as np

from service.store import Flag, Reading, SeriesKey
from service.times import to_us

SECOND, MINUTE, HOUR, DAY = 1_000_000, 60_000_000, 3_600_000_000, 86_400_000_000
NOW = datetime(2026, 3, 31, 15, 20, tzinfo=UTC)
START = to_us(NOW) // DAY * DAY - 29 * DAY
KEY = SeriesKey("quarry-pool", "temperature", "probe-1")
LEVELS = (MINUTE, HOUR, DAY)


def reading(time_us, value, flags=Flag.NONE):
    return Reading(KEY.tank, KEY.quantity, KEY.sensor, time_us, value, flags)


def fill(store):
    """One reading each ten minutes up to NOW: 29 whole days and 92 of today."""
    times = range(START, to_us(NOW), 10 * MINUTE)
    store.write([reading(t, 24.0 + i % 7 / 10) for i, t in enumerate(times)])


def all_of(store, level):
    return store.aggregate(KEY, 0, to_us(NOW) + DAY, level)


def same(one, other):
    return all(
        np.array_equal(getattr(one, name), getattr(other, name))
        for name in ("start_us", "count", "sum", "min", "max", "first", "last")
    )
