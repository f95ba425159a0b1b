"""What every store promises to several users at once, on the real server.

One suite, run unchanged for each backend (tests/store/conftest.py).
"""

from __future__ import annotations

import threading
from datetime import UTC, datetime

import pytest

from service.store import SeriesKey
from tests.store.contract import DAY, KEY, MINUTE, PH, SECOND, T0, TANK, eventually, held, reading


@pytest.mark.slow
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


@pytest.mark.slow
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
