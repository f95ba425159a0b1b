"""What every store promises of aggregates, on the real server: numpy and plain arithmetic agree.

One suite, run unchanged for each backend (tests/store/conftest.py).
"""

from __future__ import annotations

import numpy as np
import pytest

from service.errors import StoreRefusedError
from service.store import Flag
from tests.store.contract import DAY, HOUR, KEY, MINUTE, SECOND, T0, expect_buckets, held, reading


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
