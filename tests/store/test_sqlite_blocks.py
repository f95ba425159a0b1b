"""Past hours of the SQLite store are packed: nothing that is asked shows it."""

from __future__ import annotations

import sqlite3
import tracemalloc
import zlib

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.errors import StoreRefusedError, StoreUnavailableError
from service.store import Flag, Samples, SeriesKey
from service.store.model import NOT_USABLE
from service.store.sqlite import minutes
from service.store.sqlite.packing import UnpackError, pack, unpack
from service.store.sqlite.store import SqliteStore
from tests.store.contract import HOUR, KEY, MINUTE, SECOND, T0, expect_buckets, reading

START = T0 // HOUR * HOUR


def bits(samples):
    """All columns, so that two numbers that differ in a bit differ."""
    assert samples.raw is not None
    return (
        samples.time_us.tolist(),
        samples.value.view(np.int64).tolist(),
        samples.flags.tolist(),
        [None if np.isnan(one) else one.hex() for one in samples.raw.tolist()],
    )


def samples(times, values, flags=None, raw=None):
    count = len(times)
    return Samples(
        np.array(times, np.int64),
        np.array(values, np.float64),
        np.zeros(count, np.int32) if flags is None else np.array(flags, np.int32),
        np.full(count, np.nan) if raw is None else np.array(raw, np.float64),
    )


NUMBERS = st.one_of(
    st.floats(allow_nan=False, allow_infinity=False),
    st.integers(-(10**9), 10**9).map(lambda n: n / 1000),
    st.sampled_from([0.0, -0.0, 1e308, -1e-308, 5e-324, 2.0**53, 0.1 + 0.2]),
)


@given(data=st.data(), count=st.integers(1, 40))
@settings(max_examples=150)
def test_every_number_comes_back_bit_for_bit(data, count):
    step = data.draw(st.sampled_from([1, 1000, SECOND, 7_777_777]))
    gaps = data.draw(st.lists(st.integers(1, 50), min_size=count, max_size=count))
    given_ones = samples(
        START + np.cumsum(gaps) * step,
        data.draw(st.lists(NUMBERS, min_size=count, max_size=count)),
        data.draw(st.lists(st.integers(0, 511), min_size=count, max_size=count)),
        data.draw(st.lists(st.one_of(st.just(np.nan), NUMBERS), min_size=count, max_size=count)),
    )
    assert bits(unpack(pack(given_ones, START), START, count)) == bits(given_ones)


def test_an_hour_of_ordinary_readings_takes_less_than_two_bytes_each():
    """Invented: a temperature of two decimals each 10 s, that wanders."""
    steps = np.random.default_rng(1).integers(-2, 3, 360)
    given_ones = samples(START + 10 * SECOND * np.arange(360), (2450 + np.cumsum(steps)) / 100)
    assert len(pack(given_ones, START)) < 2 * 360


@pytest.mark.parametrize("damage", [b"", b"\0" * 40, None])
def test_damaged_bytes_are_noticed(damage):
    body = pack(samples([START, START + 1], [24.5, 24.6]), START)
    broken = body[:-6] + bytes([body[-6] ^ 1]) + body[-5:] if damage is None else damage
    with pytest.raises(UnpackError):
        unpack(broken, START, 2)


@pytest.mark.parametrize("count", [-1, 0, 1, 3])
def test_a_damaged_number_of_readings_is_noticed(count):
    """The step of 0xFEFEFE µs reads like three columns without numbers."""
    body = pack(samples([START, START + 0xFEFEFE], [24.5, 24.6]), START)
    with pytest.raises(UnpackError):
        unpack(body, START, count)


@pytest.fixture
def store(tmp_path):
    store = SqliteStore(tmp_path / "readings.db")
    yield store
    store.close()


def packed(store):
    with store._connections.reading() as connection:
        (rows,) = connection.execute("SELECT count(*) FROM open_reading").fetchone()
        (hours,) = connection.execute("SELECT count(*) FROM block").fetchone()
    return rows, hours


TIMES = st.integers(0, 5 * 60).map(lambda minute: START + minute * MINUTE)
BATCHES = st.lists(
    st.lists(
        st.tuples(
            TIMES,
            st.integers(2000, 3000).map(lambda n: n / 100),
            st.sampled_from([Flag.NONE, Flag.NONE, Flag.LATE, Flag.SPIKE]),
            st.sampled_from([None, None, 3.25]),
        ),
        min_size=1,
        max_size=12,
    ),
    min_size=1,
    max_size=8,
)


def in_form(**change):
    """The bytes of two readings, of which one is other than ``pack`` writes it."""
    plain = bytearray(zlib.decompress(pack(samples([START, START + SECOND], [24.5, 24.6]), START)))
    for at, byte in change.values():
        plain[at] = byte
    return zlib.compress(bytes(plain))


@pytest.mark.parametrize(
    ("body", "count"),
    [
        (zlib.compress(b"\x01" + bytes(30_000_000)), 2),  # 1,000 times as long as its bytes
        (in_form(), 2**40),
        (in_form(), 2**70),
        (in_form(), -1),
        (in_form(), "two"),
        (in_form(times=(1, 250)), 2),
        (in_form(width=(2, 16)), 2),
    ],
)
def test_bytes_that_somebody_made_up_take_no_memory(body, count):
    tracemalloc.start()
    try:
        with pytest.raises(UnpackError):
            unpack(body, START, count)
        assert tracemalloc.get_traced_memory()[1] < 1_000_000
    finally:
        tracemalloc.stop()


@given(batches=BATCHES)
@settings(max_examples=40)
def test_in_whatever_order_readings_come_all_answers_are_of_the_last_written(
    batches, tmp_path_factory
):
    store = SqliteStore(tmp_path_factory.mktemp("blocks") / "readings.db")
    model = {}
    for batch in batches:
        store.write([reading(t, v, flags=flags, raw=raw) for t, v, flags, raw in batch])
        model |= {t: (v, flags, raw) for t, v, flags, raw in batch}
        agree(store, model)
    rows, _ = packed(store)
    newest = max(model) // HOUR
    assert rows == sum(t // HOUR == newest for t in model)
    store.rebuild_rollups()
    agree(store, model)
    assert store.delete_tank(KEY.tank) == len(model)
    assert packed(store) == (0, 0)
    store.close()


def agree(store, model):
    times = sorted(model)
    found = store.read(KEY, 0, 2**62, flagged=True, raw=True)
    assert found.time_us.tolist() == times
    assert found.value.tolist() == [model[t][0] for t in times]
    assert found.flags.tolist() == [model[t][1] for t in times]
    assert [None if np.isnan(r) else r for r in found.raw] == [model[t][2] for t in times]
    inner = store.read(KEY, START + 37 * MINUTE, START + 141 * MINUTE, flagged=True)
    assert inner.time_us.tolist() == [
        t for t in times if START + 37 * MINUTE <= t < START + 141 * MINUTE
    ]
    usable = [t for t in times if not model[t][1] & NOT_USABLE]
    assert store.read(KEY, 0, 2**62).time_us.tolist() == usable
    newest = store.latest(KEY)
    assert (newest and newest.time_us) == (usable[-1] if usable else None)
    assert newest is None or (newest.value, newest.flags, newest.raw) == model[usable[-1]]
    assert store.latest(KEY, flagged=True).time_us == times[-1]
    assert [info.last.time_us for info in store.series()] == [times[-1]]
    extent = store.extent(KEY)
    assert (extent.count, extent.first_us, extent.last_us) == (len(times), times[0], times[-1])
    for every in (MINUTE, HOUR, 24 * HOUR):
        buckets = store.aggregate(KEY, 0, START + 1000 * HOUR, every)
        expect_buckets(store, buckets, usable, [model[t][0] for t in usable], every)


def test_only_the_newest_hour_of_a_series_is_in_rows(store):
    other = SeriesKey("quarry-pool", "temperature", "probe-1")
    store.write([reading(START + n * 10 * MINUTE, 6.5) for n in range(15)])
    store.write([reading(START, 24.5, key=other)])
    assert packed(store) == (3 + 1, 2)


@pytest.mark.parametrize(("step_us", "batch"), [(100_000, 50), (500_000, 1)])
def test_a_quick_sensor_has_only_the_latest_part_of_its_hour_in_rows(store, step_us, batch):
    readings = [reading(START + n * step_us, 6.5 + n % 7) for n in range(3000)]
    for first in range(0, len(readings), batch):
        store.write(readings[first : first + batch])
    rows, blocks = packed(store)
    assert blocks == 1
    assert 0 < rows <= 600 + 120 + (batch if batch > 1 else 10 * MINUTE // step_us)
    assert store.extent(KEY).count == 3000
    store.write([reading(START + step_us, 9.0)])  # of the part that is packed
    assert packed(store) == (rows, 1)
    assert store.read(KEY, 0, 2**62).value.tolist() == [
        9.0 if n == 1 else 6.5 + n % 7 for n in range(3000)
    ]


def test_few_readings_of_many_series_change_one_page_or_two(store, tmp_path):
    """The write-ahead log gets 4,096 + 24 bytes for each page (sqlite.org/fileformat2, 4.1).

    Every 13th batch moves what has come into the table of the open hours.
    """
    keys = [SeriesKey("quarry-pool", "temperature", f"probe-{n}") for n in range(9)]

    def write(minute):
        store.write([reading(START + minute * MINUTE, 24.5 + n, key=k) for n, k in enumerate(keys)])

    log = tmp_path / "readings.db-wal"
    pages = []
    for minute in range(40):
        before = log.stat().st_size
        write(minute)
        pages.append((log.stat().st_size - before) // (4096 + 24))
    assert pages[1:].count(1) >= 24
    assert sum(pages[1:]) < 39 * 2


def test_the_newest_usable_reading_may_be_hours_ago(store):
    store.write([reading(START, 6.5)])
    store.write([reading(START + n * HOUR, 99.0, flags=Flag.SPIKE) for n in (1, 2, 3)])
    assert store.latest(KEY).time_us == START
    assert store.latest(KEY, flagged=True).time_us == START + 3 * HOUR
    with store._connections.reading() as connection:
        counted = connection.execute("SELECT usable, typeof(usable) FROM block").fetchall()
    assert counted == [(1, "integer"), (0, "integer"), (0, "integer")]


def test_a_damaged_block_is_damage_of_the_file(store):
    store.write([reading(START + n * 10 * MINUTE, 6.5) for n in range(15)])
    with store._connections.writing() as connection:
        connection.execute("UPDATE block SET body = x'00'")
    with pytest.raises(StoreUnavailableError, match="damaged"):
        store.read(KEY, 0, 2**62)
    assert not store.health().reachable


def test_the_check_finds_a_damaged_block_and_says_which_hour(store, tmp_path):
    """Its page may be sound, so that SQLite's own check finds nothing."""
    store.write([reading(START + n * 10 * MINUTE, 6.5) for n in range(15)])
    store.check()
    with store._connections.writing() as connection:
        connection.execute("UPDATE block SET body = x'00' WHERE hour = ?", (START // HOUR + 1,))
        assert connection.execute("PRAGMA quick_check").fetchall() == [("ok",)]
    message = r"damaged.*the hour from 2026-03-01T23 UTC.*restore a backup or move it away"
    with pytest.raises(StoreRefusedError, match=message):
        store.check()
    assert not store.health().reachable
    with pytest.raises(StoreRefusedError, match="2026-03-01T23"):  # found at the next start too
        SqliteStore(tmp_path / "readings.db")


@pytest.mark.parametrize("body", ["'text'", "5"])
def test_a_block_that_holds_no_bytes_is_damage_of_the_file(store, body):
    store.write([reading(START + n * 10 * MINUTE, 6.5) for n in range(15)])
    with store._connections.writing() as connection:
        connection.execute(f"UPDATE block SET body = {body}")
    with pytest.raises(StoreUnavailableError, match="damaged"):
        store.read(KEY, 0, 2**62)


@pytest.mark.parametrize(
    "body", [b"", b"\0", "text", 5, zlib.compress(bytes(9)), bytes(9000), b"\1"]
)
@pytest.mark.parametrize("found_by", ["question", "check", "start after damage"])
def test_damaged_rollups_per_minute_are_computed_anew(store, caplog, body, found_by):
    readings = [reading(START + n * 10 * MINUTE, 6.5 + n / 10) for n in range(15)]
    store.write(readings)
    with store._connections.writing() as connection:
        connection.execute(
            "UPDATE rollup_minute SET body = ? WHERE hour = ?", (body, START // HOUR + 1)
        )
    if found_by == "check":
        store.check()
    elif found_by == "start after damage":
        store._connections._file.mark_damaged("a page that could not be read")
        store.close()
        SqliteStore(store._path).close()
        store = SqliteStore(store._path)
    for _ in range(2):
        agree(store, {one.time_us: (one.value, one.flags, one.raw) for one in readings})
    assert store.health().reachable
    assert caplog.text.count("rollups of the hour from 2026-03-01T23 UTC are computed anew") == 1
    store.close()


def test_damaged_rollups_whose_readings_are_deleted_are_damage_of_the_file(store):
    """A backup may still have them."""
    store.write([reading(START + n * 10 * MINUTE, 6.5) for n in range(15)])
    with store._connections.writing() as connection:
        hour = START // HOUR + 1
        connection.execute("UPDATE rollup_minute SET body = x'00' WHERE hour = ?", (hour,))
        connection.execute("DELETE FROM block WHERE hour = ?", (hour,))
    message = "packed rollups of the hour from 2026-03-01T23 UTC.*deleted.*restore a backup"
    with pytest.raises(StoreUnavailableError, match=message):
        store.aggregate(KEY, 0, 2**62, MINUTE)
    assert not store.health().reachable
    with pytest.raises(StoreRefusedError, match=message):  # found at the next start too
        SqliteStore(store._path)


@pytest.mark.parametrize("at_once", [1, 2, 1000])
def test_rollups_per_minute_of_a_part_are_those_of_the_whole(store, monkeypatch, at_once):
    readings = [reading(START + n * 20 * MINUTE + n % 7 * SECOND, n / 10) for n in range(14)]
    store.write([one for n, one in enumerate(readings) if n not in (4, 5)])
    whole = store.aggregate(KEY, 0, 2**62, MINUTE)
    monkeypatch.setattr(minutes, "_MOST_HOURS", at_once)
    for start in range(START - MINUTE, START + 2 * HOUR, 19 * MINUTE):
        for end in range(start, START + 6 * HOUR, 37 * MINUTE):
            part = store.aggregate(KEY, start, end, MINUTE)
            within = (whole.start_us >= start) & (whole.start_us < end)
            for name in ("start_us", "count", "sum", "min", "max", "first", "last"):
                assert np.array_equal(getattr(part, name), getattr(whole, name)[within])


def test_a_file_of_the_format_before_is_packed_when_it_is_opened(tmp_path, monkeypatch):
    pruned = (1, 2, 59, 60, 61, 400, 9000)
    path = tmp_path / "readings.db"
    store = SqliteStore(path)
    readings = [reading(START + n * MINUTE, 6.5 + n / 100, raw=n / 3) for n in range(200)]
    store.write(readings)
    store.close()
    with sqlite3.connect(path) as raw:
        raw.execute("DROP VIEW open_reading")
        for table in ("block", "fresh", "reading", "rollup_minute"):
            raw.execute(f"DROP TABLE {table}")
        raw.execute("PRAGMA user_version = 3")
        raw.execute(
            "CREATE TABLE reading (series INTEGER, time INTEGER, value REAL, flags INTEGER, "
            "raw REAL, PRIMARY KEY (series, time)) WITHOUT ROWID"
        )
        raw.executemany(
            "INSERT INTO reading VALUES (1, ?, ?, 0, ?)",
            [(one.time_us, one.value, one.raw) for one in readings],
        )
        raw.execute("UPDATE series SET readings = 200, last = ?", (readings[-1].time_us,))
        raw.execute(
            "CREATE TABLE rollup_minute (series INTEGER, span INTEGER, n INTEGER, total REAL, "
            "low REAL, high REAL, first REAL, last REAL, PRIMARY KEY (series, span)) WITHOUT ROWID"
        )
        raw.execute("INSERT INTO series VALUES (2, 'window-sill', 'ph', 'main', 0, NULL, NULL)")
        raw.executemany(
            "INSERT INTO rollup_minute VALUES (2, ?, 3, 30, 9, 11, 9.5, 9.5)",
            [(START // MINUTE - n,) for n in pruned],
        )
        for width, table in ((MINUTE, "minute"), (HOUR, "hour"), (24 * HOUR, "day")):
            span = readings[-1].time_us // width
            raw.execute(
                f"INSERT OR REPLACE INTO rollup_{table} VALUES (1, ?, 1, 9, 9, 9, 9, 9)", (span,)
            )
    raw.close()
    monkeypatch.setattr("service.store.sqlite.upgrade._MOST_ROWS", 7)
    monkeypatch.setattr("service.store.sqlite.upgrade._MOST_HOURS", 2)
    store = SqliteStore(path)
    assert packed(store) == (200 - 180 - (START + 180 * MINUTE) % HOUR, 3)
    agree(store, {one.time_us: (one.value, one.flags, one.raw) for one in readings})
    before = store.aggregate(SeriesKey("window-sill", "ph", "main"), 0, 2**62, MINUTE)
    assert before.start_us.tolist() == [START - n * MINUTE for n in sorted(pruned, reverse=True)]
    for name, value in {
        "count": 3,
        "sum": 30,
        "min": 9,
        "max": 11,
        "first": 9.5,
        "last": 9.5,
    }.items():
        assert getattr(before, name).tolist() == [value] * len(pruned)
    store.close()
