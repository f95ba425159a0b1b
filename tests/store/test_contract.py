"""What every store promises, on the real server; expected values come from numpy or by hand.

One suite, run unchanged for each backend (tests/store/conftest.py).
"""

from __future__ import annotations

import math
import threading
import time
from datetime import UTC, datetime

import numpy as np
import pytest

from service.clock import to_us
from service.errors import StoreRefusedError
from service.store import Extent, Flag, Reading, SeriesKey

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


def test_flagged_are_kept_but_not_counted(store):
    flags = [Flag.NONE, Flag.SPIKE, Flag.LATE, Flag.STUCK, Flag.IMPLAUSIBLE | Flag.LATE]
    flags += [Flag.CLOCK, Flag.UNCALIBRATED, Flag.DISAGREES, Flag.RETAINED]
    store.write([reading(T0 + i * SECOND, float(i), flags=f) for i, f in enumerate(flags)])
    assert [flag for _, _, flag in held(store)] == [int(f) for f in flags]
    assert [value for _, value, _ in held(store, flagged=False)] == [0.0, 2.0, 6.0, 7.0]
    buckets = store.aggregate(KEY, T0, T0 + MINUTE, HOUR)
    assert buckets.count.tolist() == [4]
    assert buckets.sum.tolist() == [15.0]
    assert (buckets.first.tolist(), buckets.last.tolist()) == ([0.0], [7.0])
    assert store.latest(KEY).value == 7.0
    assert store.latest(KEY, flagged=True).flags == Flag.RETAINED
    assert store.series()[0].last.flags == Flag.RETAINED


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


@pytest.mark.parametrize("every", [SECOND * 30, MINUTE, 5 * MINUTE, HOUR, 6 * HOUR, DAY, 7 * DAY])
def test_aggregates_equal_arithmetic_on_the_raw_readings(store, every):
    rng = np.random.default_rng(11)
    times = np.unique(T0 + rng.integers(0, 4 * DAY, 3000) // 1000 * 1000)
    values = rng.normal(6.6, 0.2, len(times))
    store.write([reading(int(t), float(v)) for t, v in zip(times, values, strict=True)])
    buckets = store.aggregate(KEY, int(times[0]), int(times[-1]) + 1, every)
    expect_buckets(store, buckets, times.tolist(), values.tolist(), every)


@pytest.mark.parametrize("every", [SECOND, HOUR])
@pytest.mark.parametrize("wanted", [(), ("mean",), ("max", "min"), ("last", "first", "mean")])
def test_only_what_is_wanted_need_be_right(store, every, wanted):
    values = [6.0, 6.5, 7.5]
    store.write([reading(T0 + i, v) for i, v in zip((0, 1000, 2000), values, strict=True)])
    buckets = store.aggregate(KEY, T0, T0 + 1, every, wanted=wanted)
    expected = {"mean": 20 / 3, "min": 6.0, "max": 7.5, "first": 6.0, "last": 7.5}
    assert buckets.count.tolist() == [3]
    for name in wanted:
        assert getattr(buckets, name)[0] == pytest.approx(expected[name], rel=1e-11)


@pytest.mark.parametrize("every", [MINUTE, HOUR, 7 * MINUTE])
def test_aggregate_rounds_its_span_outwards(store, every):
    start = T0 // every * every
    times = [start - SECOND, start, start + every - SECOND, start + every, start + 2 * every]
    store.write([reading(t, float(i)) for i, t in enumerate(times)])
    buckets = store.aggregate(KEY, start + 5 * SECOND, start + every + SECOND, every)
    assert buckets.start_us.tolist() == [start, start + every]
    assert buckets.sum.tolist() == [1.0 + 2.0, 3.0]
    exact = store.aggregate(KEY, start, start + every, every)
    assert exact.start_us.tolist() == [start]


def test_aggregates_follow_rewrites_out_of_order(store):
    """Rewrites, late arrivals and flags in many small batches end as one clean write would."""
    rng = np.random.default_rng(5)
    truth = {}
    for _ in range(30):
        batch = []
        for offset in rng.integers(0, 3 * HOUR // (10 * SECOND), 20):
            time_us = T0 + int(offset) * 10 * SECOND
            flags = Flag.SPIKE if rng.random() < 0.2 else Flag.NONE
            batch.append(reading(time_us, float(rng.normal(6.6, 0.3)), flags=flags))
        store.write(batch)
        truth.update({r.time_us: r for r in batch})
    good = [r for r in truth.values() if not r.flags]
    for every in (MINUTE, HOUR, DAY):
        buckets = store.aggregate(KEY, T0, T0 + 3 * HOUR, every)
        expect_buckets(store, buckets, [r.time_us for r in good], [r.value for r in good], every)


def test_bucket_length_must_be_positive(store):
    with pytest.raises(StoreRefusedError, match="every_us is 0; allowed: above 0"):
        store.aggregate(KEY, T0, T0 + DAY, 0)


def test_series_are_listed_in_order(store):
    keys = [
        SeriesKey(tank, quantity, sensor)
        for tank in ("b-tank", "a-tank")
        for quantity in ("temperature", "ph")
        for sensor in ("two", "one")
    ]
    store.write([reading(T0 + i * SECOND, float(i), key=k) for i, k in enumerate(keys)])
    assert [info.key for info in store.series()] == sorted(keys)
    assert [info.key for info in store.series("a-tank")] == sorted(keys)[:4]
    (first, *_) = store.series("b-tank")
    assert first.key == SeriesKey("b-tank", "ph", "one")
    assert first.last == reading(T0 + 3 * SECOND, 3.0, key=first.key)


def test_a_silent_series_and_a_lively_one_are_both_listed(store):
    now = to_us(datetime.now(UTC)) // SECOND * SECOND
    lively, silent = SeriesKey(TANK, "temperature", "a"), SeriesKey(TANK, "temperature", "b")
    store.write([reading(T0, 21.0, key=silent), reading(T0, 21.0, key=lively)])
    store.write([reading(now - SECOND, 22.0, key=lively)])
    expected = [reading(now - SECOND, 22.0, key=lively), reading(T0, 21.0, key=silent)]
    assert [info.last for info in store.series(TANK)] == expected
    store.write([reading(now, 99.0, key=lively, flags=Flag.SPIKE)])
    assert store.series(TANK)[0].last.value == 99.0
    assert store.latest(lively).value == 22.0
    assert store.latest(silent).value == 21.0


def test_many_series(store):
    keys = [SeriesKey(f"tank-{i // 3:03}", PH, f"probe-{i % 3}") for i in range(300)]
    store.write([reading(T0 + j, 6.0 + i, key=k) for i, k in enumerate(keys) for j in (0, HOUR)])
    listed = store.series()
    assert [info.key for info in listed] == keys
    assert {info.last.time_us for info in listed} == {T0 + HOUR}
    assert store.extent(keys[217]) == Extent(2, T0, T0 + HOUR)
    assert held(store, keys[217]) == [(T0, 223.0, 0), (T0 + HOUR, 223.0, 0)]


@pytest.mark.parametrize(
    "name", ["Küche 2", "a,b=c", 'say "hi"', "back\\slash", "it's", "a.b*c{d}", "水槽", "tank\\"]
)
def test_any_printable_name_survives(store, name):
    key = SeriesKey(name, PH, name)
    store.write([reading(T0, 6.6, key=key), reading(T0, 7.0)])
    assert held(store, key) == [(T0, 6.6, 0)]
    assert store.latest(key) == reading(T0, 6.6, key=key)
    assert [info.key for info in store.series(name)] == [key]
    assert store.aggregate(key, T0, T0 + 1, DAY).sum.tolist() == [6.6]
    assert store.delete_tank(name) == 1
    assert held(store) == [(T0, 7.0, 0)]


def test_delete_tank(store):
    other = SeriesKey("b-tank", PH, "probe-1")
    store.write([reading(T0 + i * SECOND, 6.6) for i in range(10)])
    store.write([reading(T0, 6.6, key=other)])
    assert store.delete_tank(TANK) == 10
    assert store.delete_tank(TANK) == 0
    assert held(store) == []
    assert len(store.aggregate(KEY, T0, T0 + DAY, DAY)) == 0
    assert [info.key for info in store.series()] == [other]
    store.write([reading(T0, 6.7)])
    assert held(store) == [(T0, 6.7, 0)]
    assert store.aggregate(KEY, T0, T0 + DAY, DAY).sum.tolist() == [6.7]


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


def test_second_opening_sees_the_first_ones_writes(store, opened):
    store.write([reading(T0, 6.6)])
    other = opened()
    eventually(store, lambda: held(other) == [(T0, 6.6, 0)])
    other.write([reading(T0 + SECOND, 6.7)])
    eventually(store, lambda: held(store) == [(T0, 6.6, 0), (T0 + SECOND, 6.7, 0)])


def test_one_writer_many_readers_at_once(store):
    """Readers see what has been written so far, never a wrong value and never an error."""
    batches, size = 20, 25
    written = [0]
    done = threading.Event()
    faults = []

    def read_on():
        try:
            while not done.is_set():
                before = written[0]
                got = held(store)
                if len(got) < before or {(v, f) for _, v, f in got} - {(6.6, 0)}:
                    faults.append((before, got))
                store.aggregate(KEY, T0, T0 + DAY, MINUTE)
                store.latest(KEY)
                store.series()
        except Exception as error:  # noqa: BLE001 - asserted on below, outside the thread
            faults.append(error)

    readers = [threading.Thread(target=read_on) for _ in range(3)]
    for thread in readers:
        thread.start()
    try:
        for batch in range(batches):
            start = T0 + batch * size * SECOND
            store.write([reading(start + i * SECOND, 6.6) for i in range(size)])
            written[0] += size
    finally:
        done.set()
        for thread in readers:
            thread.join()
    assert faults == []
    assert len(held(store)) == batches * size


def extents(store):
    return [store.extent(info.key).count for info in store.series()]


def test_several_writers_at_once(store, opened):
    stores = [store, opened(), opened()]
    faults = []

    def write_on(number):
        key = SeriesKey(TANK, PH, f"probe-{number}")
        try:
            for i in range(20):
                rows = [reading(T0 + (i * 5 + j) * SECOND, 6.6, key=key) for j in range(5)]
                stores[number].write(rows)
        except Exception as error:  # noqa: BLE001 - asserted on below, outside the thread
            faults.append(error)

    threads = [threading.Thread(target=write_on, args=(n,)) for n in range(len(stores))]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert faults == []
    eventually(store, lambda: extents(store) == [100, 100, 100])


def test_health_tells_reachable_and_the_last_write(store, backend):
    assert store.health().reachable
    assert store.health().backend == store.backend == backend
    before = datetime.now(UTC).timestamp()
    store.write([reading(T0, 6.6)])
    assert before - 1 <= store.health().numbers["last_write_s"] <= before + 60
