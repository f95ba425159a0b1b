"""What every store promises of many series and their names, on the real server.

One suite, run unchanged for each backend (tests/store/conftest.py).
"""

from __future__ import annotations

from datetime import UTC, datetime

import numpy as np
import pytest

from service.store import Extent, Flag, SeriesKey
from service.times import to_us
from tests.store.contract import DAY, HOUR, KEY, PH, SECOND, T0, TANK, held, reading


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
    some = [f"tank-{i:03}" for i in range(99, -1, -2)]
    wanted = [info for info in listed if info.key.tank in some]
    assert store.series_of([*some, "no-tank"]) == wanted
    assert store.series_of([]) == []


def test_aggregates_of_several_series_are_those_of_each(store):
    """Usable, flagged, rewritten, late and silent ones, and one that is not stored."""
    rng = np.random.default_rng(7)
    keys = [SeriesKey(f"tank-{i // 3:03}", PH, f"probe-{i % 3}") for i in range(150)]
    flags = [Flag.NONE, Flag.NONE, Flag.SPIKE]
    store.write(
        [
            reading(T0 + j * HOUR, float(rng.normal(7)), key=key, flags=flags[rng.integers(3)])
            for key in keys
            for j in range(3)
        ]
    )
    store.write([reading(T0 + HOUR, 5.0, key=key) for key in keys[::7]])
    store.write([reading(T0 - 30 * SECOND, 5.5, key=key) for key in keys[::11]])
    asked = [*reversed(keys), SeriesKey("no-tank", PH, "probe-0")]
    for every in (HOUR, 7 * SECOND):
        span = (T0 - HOUR, T0 + 2 * HOUR, every)
        found = store.aggregates(asked, *span, wanted=("mean", "max"))
        assert len(found) == len(asked)
        for key, one in list(zip(asked, found, strict=True))[::5]:
            alone = store.aggregate(key, *span, wanted=("mean", "max"))
            assert one.start_us.tolist() == alone.start_us.tolist()
            assert one.count.tolist() == alone.count.tolist()
            assert (one.sum.tolist(), one.max.tolist()) == (alone.sum.tolist(), alone.max.tolist())
        assert sum(len(one) for one in found) > 300
    assert store.aggregates([], T0, T0 + HOUR, HOUR) == []


@pytest.mark.parametrize(
    "name", ["Küche 2", "a,b=c", 'say "hi"', "back\\slash", "it's", "a.b*c{d}", "水槽", "tank\\"]
)
def test_any_printable_name_survives(store, name):
    key = SeriesKey(name, PH, name)
    store.write([reading(T0, 6.6, key=key), reading(T0, 7.0)])
    assert held(store, key) == [(T0, 6.6, 0)]
    assert store.latest(key) == reading(T0, 6.6, key=key)
    assert [info.key for info in store.series(name)] == [key]
    assert [info.key for info in store.series_of([name, TANK])] == sorted([key, KEY])
    found = store.aggregates([key, KEY], T0, T0 + 1, DAY)
    assert [one.sum.tolist() for one in found] == [[6.6], [7.0]]
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
