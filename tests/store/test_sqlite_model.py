"""Random writes, rewrites, prunings and deletions of the SQLite store, beside a plain dict."""

from __future__ import annotations

import random
from datetime import timedelta

import numpy as np
import pytest

from service.store import Flag, SeriesKey
from service.store.columns import ReadingColumns
from service.store.model import NOT_USABLE
from service.store.retention import RetentionPolicy
from service.store.sqlite import open_hour, prune, write
from service.store.sqlite.store import SqliteStore
from service.times import from_us
from tests.store.contract import DAY, HOUR, MINUTE, T0, expect_buckets, reading

START = T0 // DAY * DAY
KEYS = [SeriesKey(tank, "ph", "probe-1") for tank in ("quarry-pool", "window-sill")]
#: Whole and other values; an integer beyond 2^53, and numbers near the ends of float64's range.
VALUES = [6.5, 24.31, 0.1 + 0.2, 0.0, -0.0, -3.0, 2.0**53 + 2, 5e-324, 1e300]
FLAGS = [Flag.NONE, Flag.NONE, Flag.NONE, Flag.LATE, Flag.SPIKE]
FUTURE = START + 2000 * DAY
STEPS = (MINUTE, 5 * MINUTE, HOUR, 3 * HOUR, DAY)


def some_readings(rng, key, newest):
    """Of any hour, or else of the open one and the next."""
    middle = START + rng.randrange(6 * DAY)
    spread = rng.choice([MINUTE, HOUR, DAY])
    if rng.random() < 0.5 and newest < FUTURE:
        middle, spread = max(START, newest - rng.randrange(10 * MINUTE)), 15 * MINUTE
    times = [
        rng.choice([middle // HOUR * HOUR, middle + rng.randrange(spread), middle // 1000 * 1000])
        for _ in range(rng.randrange(1, 25))
    ]
    if rng.random() < 0.03:
        times.append(FUTURE)  # a clock far ahead
    return [
        reading(t, rng.choice(VALUES), key=key, flags=rng.choice(FLAGS), raw=rng.choice(RAWS))
        for t in times
    ]


RAWS = [None, None, 3.25, -1e-308]


def agree(store, model):
    infos = {info.key: info.last for info in store.series()}
    for key in KEYS:
        times = sorted(t for k, t in model if k == key)
        expected = [model[key, t] for t in times]
        found = store.read(key, 0, 2**62, flagged=True, raw=True)
        assert found.time_us.tolist() == times
        assert [one.hex() for one in found.value.tolist()] == [one.value.hex() for one in expected]
        assert found.flags.tolist() == [one.flags for one in expected]
        assert [None if np.isnan(r) else r for r in found.raw] == [one.raw for one in expected]
        extent = store.extent(key)
        assert (extent is None) == (not times)
        assert infos.get(key) == (expected[-1] if times else None)
        assert store.latest(key, flagged=True) == infos.get(key)
        usable = [one for one in expected if not one.flags & NOT_USABLE]
        assert store.latest(key) == (usable[-1] if usable else None)
        if times:
            assert (extent.count, extent.first_us, extent.last_us) == (
                len(times),
                times[0],
                times[-1],
            )


def aggregates_agree(store, model, since, steps):
    """Of the open hour as of those that are packed, whatever was rolled up when."""
    for key in KEYS:
        stored = {t: one for (k, t), one in model.items() if k == key and t >= since}
        usable = {t: one.value for t, one in stored.items() if not one.flags & NOT_USABLE}
        for every in steps:
            buckets = store.aggregate(key, since, FUTURE + DAY, every)
            times = sorted(usable)
            expect_buckets(store, buckets, times, [usable[t] for t in times], every)


def states_of_open_hours(store):
    with store._connections.reading() as connection:
        rows = connection.execute(
            "SELECT EXISTS (SELECT 1 FROM block b WHERE b.series = o.series "
            f"AND b.hour = o.time / {HOUR}) FROM open_reading o"
        ).fetchall()
    return {"in rows and packed" if both else "in rows" for (both,) in rows}


@pytest.mark.parametrize(("fresh_rows", "most_rows"), [(8, write.MOST_ROWS), (2, 3)])
@pytest.mark.parametrize("seed", range(4))
def test_writes_prunings_and_deletions_leave_what_a_dict_would_have(
    seed, fresh_rows, most_rows, tmp_path, monkeypatch
):
    monkeypatch.setattr(prune, "PRUNE_STEP", 10)
    monkeypatch.setattr(open_hour, "FRESH_ROWS", fresh_rows)
    monkeypatch.setattr(write, "MOST_ROWS", most_rows)
    monkeypatch.setattr(write, "_COUNTED_FROM", 1)
    rng, model, limit, hours = random.Random(seed), {}, 0, set()
    every_rng = random.Random(seed)
    path = tmp_path / "readings.db"
    store = SqliteStore(path)
    for _ in range(40):
        deed = rng.random()
        if deed < 0.8:
            batch = [
                one
                for key in rng.sample(KEYS, rng.randint(1, 2))
                for one in some_readings(
                    rng, key, max((t for k, t in model if k == key), default=0)
                )
            ]
            if deed < 0.4:
                store.write(batch)
            else:
                store.write(ReadingColumns.of(batch))
            model |= {(one.key, one.time_us): one for one in batch if one.time_us >= limit}
        elif deed < 0.88:
            now = from_us(START + rng.randrange(7 * DAY))
            policy = RetentionPolicy(raw=timedelta(days=rng.randint(1, 3)))
            before = len(model)
            cut = policy.retained_from_us(now)["raw"]
            limit = max(limit, cut)
            model = {at: one for at, one in model.items() if at[1] >= cut}
            assert store.prune(policy, now).raw == before - len(model)
        elif deed < 0.93:
            tank = rng.choice(KEYS).tank
            count = sum(key.tank == tank for key, _ in model)
            assert store.delete_tank(tank) == count
            model = {at: one for at, one in model.items() if at[0].tank != tank}
        else:
            store.close()
            store = SqliteStore(path)
        hours |= states_of_open_hours(store)
        agree(store, model)
        aggregates_agree(store, model, max(limit, START), [every_rng.choice(STEPS)])
    aggregates_agree(store, model, max(limit, START), STEPS)
    assert ("in rows and packed" in hours) == (most_rows == 3)
    store.close()
