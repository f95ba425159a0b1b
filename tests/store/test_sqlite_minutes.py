"""Packed rollups per minute of the SQLite store: hours of few readings, and mending in portions."""

from __future__ import annotations

import sqlite3
import threading
import time

import numpy as np
import pytest

from service.store.buckets import buckets_of_samples
from service.store.sqlite import block, minutes, upkeep
from service.store.sqlite.store import SqliteStore
from tests.store.contract import HOUR, KEY, MINUTE, SECOND, T0, reading

START = T0 // HOUR * HOUR
COLUMNS = ("sum", "min", "max", "first", "last")


@pytest.fixture
def store(tmp_path):
    store = SqliteStore(tmp_path / "readings.db")
    yield store
    store.close()


def hour_of(hour, readings, values=(6.5,)):
    """So many readings spread over an hour, the first ones in a minute of their own."""
    start, step = START + hour * HOUR, HOUR // readings
    return [reading(start + n * step, values[n % len(values)]) for n in range(readings)]


def expect_rollups(store):
    """Each minute's rollup is what its readings give, bit for bit, for any part of the time."""
    found = store.read(KEY, 0, 2**62)
    whole = buckets_of_samples(found, MINUTE)
    end = int(found.time_us[-1]) // MINUTE * MINUTE
    for span in ((0, 2**61), (START + 7 * MINUTE, end - HOUR), (START + HOUR, end - MINUTE)):
        part = store.aggregate(KEY, *span, MINUTE)
        within = (whole.start_us >= span[0]) & (whole.start_us < span[1])
        assert part.start_us.tolist() == whole.start_us[within].tolist()
        assert part.count.tolist() == whole.count[within].tolist()
        for name in COLUMNS:
            bits, expected = (getattr(one, name).view(np.int64) for one in (part, whole))
            assert bits.tolist() == expected[within].tolist(), name


def bodies(store):
    with store._connections.reading() as connection:
        rows = connection.execute("SELECT body FROM rollup_minute ORDER BY hour").fetchall()
    return [body for (body,) in rows]


def test_hours_of_few_readings_are_short_and_the_same_is_read(store):
    store.write(
        [
            *hour_of(0, 1, (-0.0,)),
            *hour_of(1, 13),  # more than are stored one by one
            *hour_of(2, 12, (0.1 + 0.2, -0.0, 1e300)),
            *hour_of(4, 3),
            reading(START + 5 * HOUR, 1.5),
            reading(START + 5 * HOUR + SECOND, -2.5),  # in the same minute
            *hour_of(6, 6),
            *hour_of(7, 2),
        ]
    )
    assert [len(body) if body[:1] == b"\x01" else 0 for body in bodies(store)] == [
        5 + 12,
        0,
        5 + 12 * 12,
        5 + 12 * 3,
        0,
        5 + 12 * 6,
    ]
    expect_rollups(store)


def test_hours_of_few_readings_that_are_compressed_are_read_too(store, monkeypatch):
    """So they were written before there was another form."""
    with monkeypatch.context() as before:
        before.setattr(minutes, "_MOST_SINGLES", 0)
        store.write([one for hour in (0, 1, 3, 6) for one in hour_of(hour, 2, (6.5, 7.25))])
    store.write([one for hour in (2, 4, 5, 7) for one in hour_of(hour, 3, (6.5, 7.75))])
    assert [body[0] for body in bodies(store)] == [0x78, 0x78, 1, 0x78, 1, 1, 1]
    expect_rollups(store)


def test_any_damaged_byte_of_an_hour_of_few_readings_is_noticed_and_mended(store, caplog):
    store.write([one for hour in range(4) for one in hour_of(hour, 2, (6.5, 7.25))])
    right = bodies(store)[1]
    for at in range(len(right)):
        wrong = right[:at] + bytes([right[at] ^ 0x10]) + right[at + 1 :]
        with store._connections.writing() as connection:
            connection.execute(
                "UPDATE rollup_minute SET body = ? WHERE hour = ?", (wrong, START // HOUR + 1)
            )
        expect_rollups(store)
        assert bodies(store)[1] == right
    assert caplog.text.count("are computed anew") == len(right)


@pytest.mark.parametrize("found_by", ["question", "check", "start after damage"])
def test_others_write_while_many_damaged_rollups_are_mended(store, monkeypatch, found_by):
    """A writer that comes after the first hour need not wait for the last."""
    store.write([one for hour in range(25) for one in hour_of(hour, 2)])
    with sqlite3.connect(store._path) as raw:
        raw.execute("UPDATE rollup_minute SET body = x'00'")
    raw.close()
    mended, wrote_after = [], []
    begun = threading.Event()

    def write():
        assert begun.wait(30)
        with sqlite3.connect(store._path, timeout=30) as another:
            another.execute("INSERT INTO series (tank, quantity, sensor) VALUES ('a', 'b', 'c')")
        another.close()
        wrote_after.append(len(mended))

    def renew(*hour, renew_hour=block.renew_rollups_of_hour):
        renew_hour(*hour)
        mended.append(hour)
        begun.set()
        time.sleep(0.01)

    monkeypatch.setattr(block, "renew_rollups_of_hour", renew)
    monkeypatch.setattr(upkeep, "_MEND_STEP", 2)
    writer = threading.Thread(target=write)
    writer.start()
    try:
        if found_by == "start after damage":
            store._connections._file.mark_damaged("a page that could not be read")
            store.close()
            SqliteStore(store._path).close()
        elif found_by == "check":
            store.check()
        else:
            store.aggregate(KEY, 0, 2**61, MINUTE)
    finally:
        begun.set()
        writer.join()
    assert len(mended) == 24
    assert wrote_after[0] < 24
    reopened = SqliteStore(store._path)
    expect_rollups(reopened)
    reopened.close()
