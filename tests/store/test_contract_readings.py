"""What every store promises of readings, on the real server: as written, once, in order.

One suite, run unchanged for each backend (tests/store/conftest.py).
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from service.errors import StoreRefusedError
from service.store import Extent, Flag, SeriesKey
from service.store.columns import ReadingColumns
from tests.store.contract import (
    DAY,
    HOUR,
    KEY,
    MINUTE,
    PH,
    SECOND,
    T0,
    TANK,
    expect_buckets,
    held,
    reading,
    resolved,
)

OTHER = SeriesKey(TANK, "temperature", "probe-2")


def test_write_and_read_back(store):
    store.write(
        [
            reading(T0, 6.6),
            reading(T0 + SECOND, 6.612345678, flags=Flag.LATE | Flag.UNCALIBRATED),
            reading(T0 + 2 * SECOND, -0.0),
        ]
    )
    assert held(store) == [
        (T0, 6.6, 0),
        (T0 + SECOND, 6.612345678, int(Flag.LATE | Flag.UNCALIBRATED)),
        (T0 + 2 * SECOND, 0.0, 0),
    ]


@pytest.mark.parametrize("value", [1e-12, 123456.789012345, 1 / 3, 7, 1e9])
def test_values_come_back_as_they_were(store, value):
    store.write([reading(T0, value)])
    (got,) = store.read(KEY, T0, T0 + 1).value
    assert got == pytest.approx(value, rel=store.value_tolerance, abs=0)


def test_span_is_half_open(store):
    store.write([reading(T0 + i * SECOND, float(i)) for i in range(5)])
    got = held(store, start=T0 + SECOND, end=T0 + 3 * SECOND)
    assert [value for _, value, _ in got] == [1.0, 2.0]


def test_a_batch_of_columns_is_stored_as_its_readings_are(store):
    readings = [
        reading(T0 + i * 7 * MINUTE, 6.5 + i / 100, key=key, flags=flags, raw=raw)
        for i, (key, flags, raw) in enumerate(
            [(KEY, Flag.NONE, None), (OTHER, Flag.LATE, 3.25), (OTHER, Flag.SPIKE, None)] * 9
        )
    ]
    store.write(ReadingColumns.of(readings[9:]))
    store.write(ReadingColumns.of(readings[11::-1]))
    store.write(ReadingColumns.of(()))
    for key in (KEY, OTHER):
        found = store.read(key, T0, T0 + DAY, flagged=True, raw=True)
        expected = [one for one in readings if one.key == key]
        assert found.time_us.tolist() == [one.time_us for one in expected]
        values = [one.value for one in expected]
        assert found.value == pytest.approx(values, rel=store.value_tolerance, abs=0)
        assert found.flags.tolist() == [one.flags for one in expected]
        assert [None if np.isnan(one) else one for one in found.raw] == [r.raw for r in expected]
    with pytest.raises(StoreRefusedError, match=r"value .* is inf; allowed: a finite number"):
        store.write(ReadingColumns.of([reading(T0, math.inf)]))


def test_nothing_written_changes_nothing(store):
    store.write([])
    assert store.series() == []


def test_empty_ranges_and_unknown_series(store):
    store.write([reading(T0, 6.6)])
    assert held(store, start=T0 + 1 * SECOND) == []
    assert held(store, start=T0, end=T0) == []
    other = SeriesKey(TANK, PH, "never-seen")
    assert held(store, other) == []
    assert len(store.aggregate(other, T0, T0 + DAY, HOUR)) == 0
    assert len(store.aggregate(KEY, T0 + DAY, T0 + 2 * DAY, HOUR)) == 0
    assert store.latest(other) is None
    assert store.extent(other) is None
    assert store.series("never-seen") == []


def test_writing_again_replaces(store):
    store.write([reading(T0, 6.6), reading(T0 + SECOND, 6.7)])
    store.write([reading(T0, 6.6), reading(T0 + SECOND, 6.9)])
    assert held(store) == [(T0, 6.6, 0), (T0 + SECOND, 6.9, 0)]
    assert store.extent(KEY) == Extent(2, T0, T0 + SECOND)
    buckets = store.aggregate(KEY, T0, T0 + SECOND, DAY)
    assert (buckets.count.tolist(), buckets.sum.tolist()) == ([2], [6.6 + 6.9])


def test_replacing_may_raise_and_clear_flags(store):
    store.write([reading(T0, 6.6), reading(T0 + SECOND, 99.0)])
    store.write([reading(T0 + SECOND, 99.0, flags=Flag.IMPLAUSIBLE)])
    assert held(store, flagged=False) == [(T0, 6.6, 0)]
    assert store.aggregate(KEY, T0, T0 + DAY, DAY).count.sum() == 1
    store.write([reading(T0 + SECOND, 6.8)])
    assert held(store) == [(T0, 6.6, 0), (T0 + SECOND, 6.8, 0)]
    assert store.aggregate(KEY, T0, T0 + DAY, DAY).count.sum() == 2


def test_last_of_one_batch_wins(store):
    store.write([reading(T0, 1.0), reading(T0, 3.0), reading(T0, 2.0)])
    assert held(store) == [(T0, 2.0, 0)]


def test_out_of_order(store):
    order = np.random.default_rng(3).permutation(300)
    for part in np.array_split(order, 7):
        store.write([reading(T0 + int(i) * 10 * SECOND, float(i)) for i in part])
    assert [value for _, value, _ in held(store)] == [float(i) for i in range(300)]
    times = [T0 + i * 10 * SECOND for i in range(300)]
    expect_buckets(
        store,
        store.aggregate(KEY, times[0], times[-1], MINUTE),
        times,
        map(float, range(300)),
        MINUTE,
    )


def test_two_years_back(store):
    old = T0 - 730 * DAY
    store.write([reading(T0, 6.6)])
    store.write([reading(old, 7.1)])
    assert held(store) == [(old, 7.1, 0), (T0, 6.6, 0)]
    (info,) = store.series()
    assert info.last == reading(T0, 6.6)
    assert store.extent(KEY) == Extent(2, old, T0)
    assert store.aggregate(KEY, old, old + DAY, DAY).last.tolist() == [7.1]


def test_microsecond_neighbours(store):
    step = store.time_resolution_us
    start = resolved(store, T0)
    store.write([reading(start + i * step, 6.0 + i) for i in range(3)])
    assert held(store) == [(start + i * step, 6.0 + i, 0) for i in range(3)]
    assert held(store, start=start + step, end=start + 2 * step) == [(start + step, 7.0, 0)]


def test_times_finer_than_the_store_are_kept_to_its_resolution(store):
    odd = resolved(store, T0) + store.time_resolution_us + store.time_resolution_us // 3
    store.write([reading(odd, 6.6)])
    assert held(store) == [(resolved(store, odd), 6.6, 0)]


def test_raw_comes_back_with_the_latest(store):
    store.write([reading(T0, 22.0, raw=71.6)])
    assert store.latest(KEY) == reading(T0, 22.0, raw=71.6)
    store.write([reading(T0 + SECOND, 22.5)])
    assert store.latest(KEY) == reading(T0 + SECOND, 22.5)


def test_raw_numbers_come_back_when_asked_for(store):
    rows = [reading(T0, 22.0, raw=71.6), reading(T0 + SECOND, 22.5)]
    rows.append(reading(T0 + 3 * SECOND, -17.8, raw=0.0, flags=Flag.LATE))
    store.write([*rows, reading(T0 + 2 * SECOND, 23.0, raw=5.0, flags=Flag.SPIKE)])
    assert store.read(KEY, T0, T0 + MINUTE).raw is None
    usable = store.read(KEY, T0, T0 + MINUTE, raw=True)
    np.testing.assert_array_equal(usable.raw, [71.6, np.nan, 0.0])
    assert usable.flags.tolist() == [0, 0, int(Flag.LATE)]
    every = store.read(KEY, T0, T0 + MINUTE, raw=True, flagged=True)
    np.testing.assert_array_equal(every.raw, [71.6, np.nan, 5.0, 0.0])


@pytest.mark.parametrize(
    ("bad", "message"),
    [
        (reading(T0, math.nan), "value of a reading of quarry-pool/ph/probe-1 is nan; allowed"),
        (reading(T0, math.inf), "is inf; allowed: a finite number"),
        (reading(T0, 6.6, raw=math.nan), "raw of a reading"),
        (reading(-1, 6.6), "time_us of a reading"),
        (reading(2**63, 6.6), "time_us of a reading"),
        (reading(T0, 6.6, key=SeriesKey("", PH, "s")), "tank is ''; allowed: 1 to 128"),
        (reading(T0, 6.6, key=SeriesKey(TANK, PH, "a\nb")), "sensor is 'a\\\\nb'; allowed"),
        (reading(T0, 6.6, key=SeriesKey(TANK, "x" * 129, "s")), "quantity is 'xxx"),
    ],
)
def test_a_bad_reading_refuses_the_whole_batch(store, bad, message):
    with pytest.raises(StoreRefusedError, match=message):
        store.write([reading(T0, 6.6), bad])
    assert store.series() == []
