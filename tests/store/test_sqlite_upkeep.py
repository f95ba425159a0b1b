"""Pruning, backup, check and rebuilding of the SQLite store."""

from __future__ import annotations

import sqlite3
import threading
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest

from service.clock import to_us
from service.errors import InvalidInputError, StoreRefusedError, StoreUnavailableError
from service.store import Extent, Flag, Reading, SeriesKey, sqlite_rollup, sqlite_upkeep
from service.store.retention import Pruned, RetentionPolicy
from service.store.sqlite import SqliteStore

SECOND, MINUTE, HOUR, DAY = 1_000_000, 60_000_000, 3_600_000_000, 86_400_000_000
NOW = datetime(2026, 3, 31, 15, 20, tzinfo=UTC)
START = to_us(NOW) // DAY * DAY - 29 * DAY
KEY = SeriesKey("quarry-pool", "temperature", "probe-1")
LEVELS = (MINUTE, HOUR, DAY)


def reading(time_us, value, flags=Flag.NONE):
    return Reading(*("quarry-pool", "temperature", "probe-1"), time_us, value, flags)


@pytest.fixture
def store(tmp_path):
    """Thirty days up to NOW, one reading each ten minutes: 29 whole days and 93 of today."""
    store = SqliteStore(tmp_path / "readings.db")
    times = range(START, to_us(NOW), 10 * MINUTE)
    store.write([reading(t, 24.0 + i % 7 / 10) for i, t in enumerate(times)])
    yield store
    store.close()


def all_of(store, level):
    return store.aggregate(KEY, 0, to_us(NOW) + DAY, level)


def same(one, other):
    return all(
        np.array_equal(getattr(one, name), getattr(other, name))
        for name in ("start_us", "count", "sum", "min", "max", "first", "last")
    )


def test_raw_readings_go_by_age_and_rollups_stay(store):
    before = {level: all_of(store, level) for level in LEVELS}
    pruned = store.prune(RetentionPolicy(raw=timedelta(days=10)), NOW)
    assert pruned == Pruned(raw=19 * 144, minute=0, hour=0, day=0)
    kept = store.read(KEY, 0, to_us(NOW))
    assert kept.time_us[0] == START + 19 * DAY
    assert len(kept) == 10 * 144 + 92
    last = START + 29 * DAY + 91 * 10 * MINUTE
    assert store.extent(KEY) == Extent(10 * 144 + 92, START + 19 * DAY, last)
    assert all(same(all_of(store, level), before[level]) for level in LEVELS)
    assert store.prune(RetentionPolicy(raw=timedelta(days=10)), NOW) == Pruned(0, 0, 0, 0)


def test_each_rollup_goes_by_its_own_age(store):
    policy = RetentionPolicy(
        raw=timedelta(days=2), minute=timedelta(days=5), hour=timedelta(days=10)
    )
    pruned = store.prune(policy, NOW)
    assert pruned == Pruned(raw=27 * 144, minute=24 * 144, hour=19 * 24, day=0)
    assert all_of(store, MINUTE).start_us[0] == START + 24 * DAY
    assert all_of(store, HOUR).start_us[0] == START + 19 * DAY
    assert all_of(store, DAY).start_us[0] == START
    assert all_of(store, DAY).count.sum() == 29 * 144 + 92


def test_late_reading_past_retention_is_left_out_counted_and_harms_no_rollup(store, caplog):
    store.prune(RetentionPolicy(raw=timedelta(days=10)), NOW)
    before = all_of(store, DAY)
    store.write([reading(START + 3 * DAY + 1, 99.0), reading(to_us(NOW), 24.4)])
    assert store.health().numbers["left_out_past_retention"] == 1
    assert "1 readings older than the retention were left out" in caplog.text
    assert store.latest(KEY).value == 24.4
    after = all_of(store, DAY)
    assert after.count[3] == before.count[3] == 144
    assert after.count[-1] == before.count[-1] + 1


def test_rewrite_at_the_edge_of_retention_keeps_rollups_right(store):
    store.prune(RetentionPolicy(raw=timedelta(days=10)), NOW)
    edge = START + 19 * DAY
    store.write([reading(edge, 30.0)])
    day = store.aggregate(KEY, edge, edge + DAY, DAY)
    assert (day.count.tolist(), day.max.tolist(), day.first.tolist()) == ([144], [30.0], [30.0])


def test_a_looser_policy_brings_nothing_back_and_refuses_no_write(store):
    store.prune(RetentionPolicy(raw=timedelta(days=10)), NOW)
    assert store.prune(RetentionPolicy(), NOW) == Pruned(0, 0, 0, 0)
    store.write([reading(START + 3 * DAY + 1, 99.0)])
    assert store.health().numbers["left_out_past_retention"] == 1


def test_series_that_ended_long_ago_is_pruned_to_nothing(store):
    later = NOW + timedelta(days=400)
    store.prune(RetentionPolicy(raw=timedelta(days=30)), later)
    assert store.series() == []
    assert store.latest(KEY) is None
    assert all_of(store, DAY).count.sum() == 29 * 144 + 92


def test_pruning_takes_small_steps(store, monkeypatch):
    monkeypatch.setattr(sqlite_upkeep, "PRUNE_STEP", 100)
    assert store.prune(RetentionPolicy(raw=timedelta(days=10)), NOW).raw == 19 * 144


@pytest.mark.parametrize(
    ("ages", "message"),
    [
        ({"raw": 0.5}, "retention.raw is '0.5 days'; allowed: at least one day, or for ever"),
        ({"raw": 9, "minute": 5}, "retention.minute is '5 days'; allowed: at least raw's 9 days"),
        ({"raw": 9, "hour": 5}, "retention.hour is '5 days'; allowed: at least for ever"),
    ],
)
def test_no_level_may_be_shorter_than_the_finer_one(ages, message):
    with pytest.raises(InvalidInputError, match=message):
        RetentionPolicy(**{name: timedelta(days=days) for name, days in ages.items()})


def test_rebuilding_changes_nothing_that_is_right(store):
    store.write([reading(START + 3 * HOUR + 5, 31.0), reading(START + HOUR, 1.0, Flag.SPIKE)])
    before = {level: all_of(store, level) for level in LEVELS}
    store.rebuild_rollups()
    for level in LEVELS:
        np.testing.assert_allclose(all_of(store, level).sum, before[level].sum, rtol=1e-13)
        assert np.array_equal(all_of(store, level).count, before[level].count)
        assert np.array_equal(all_of(store, level).first, before[level].first)
    once = {level: all_of(store, level) for level in LEVELS}
    store.rebuild_rollups()
    assert all(same(all_of(store, level), once[level]) for level in LEVELS)


def test_rebuilding_mends_what_is_wrong(store):
    before = all_of(store, DAY)
    with store._writing() as connection:
        connection.execute("UPDATE rollup_day SET n = 7 WHERE span % 2")
        connection.execute("DELETE FROM rollup_minute WHERE span % 3 = 0")
        connection.execute("INSERT INTO rollup_minute VALUES (1, 1, 1, 1, 1, 1, 1, 1)")
        connection.execute("DELETE FROM rollup_hour")
    store.rebuild_rollups()
    np.testing.assert_array_equal(all_of(store, DAY).count[-30:], before.count)
    assert len(all_of(store, MINUTE)) == 29 * 144 + 92


def test_rebuilding_leaves_rollups_of_pruned_time(store):
    store.prune(RetentionPolicy(raw=timedelta(days=10)), NOW)
    before = all_of(store, DAY)
    store.rebuild_rollups()
    np.testing.assert_array_equal(all_of(store, DAY).count, before.count)


def test_long_stretches_are_renewed_in_bounded_runs(store, monkeypatch):
    before = all_of(store, HOUR)
    monkeypatch.setattr(sqlite_rollup, "_LONGEST_RUN", 5)
    store.rebuild_rollups()
    np.testing.assert_array_equal(all_of(store, HOUR).count, before.count)


def test_backup_while_another_thread_writes(store, tmp_path):
    done = threading.Event()
    written = []

    def write_on():
        while not done.is_set():
            start = to_us(NOW) + len(written) * 10 * SECOND
            store.write([reading(start + i * SECOND, 24.0) for i in range(10)])
            written.append(10)

    writer = threading.Thread(target=write_on)
    writer.start()
    try:
        store.back_up(tmp_path / "copy.db")
    finally:
        done.set()
        writer.join()
    copy = SqliteStore(tmp_path / "copy.db")
    count = copy.extent(KEY).count
    assert count >= 29 * 144 + 92
    assert (count - 29 * 144 - 92) % 10 == 0
    assert len(copy.read(KEY, 0, 2**62)) == count
    assert all_of(copy, DAY).count.sum() == count
    copy.check()
    copy.close()


def test_backup_over_a_file_or_into_no_folder_is_refused(store, tmp_path):
    (tmp_path / "copy.db").write_text("precious")
    with pytest.raises(StoreRefusedError, match="exists; name a file that does not"):
        store.back_up(tmp_path / "copy.db")
    assert (tmp_path / "copy.db").read_text() == "precious"
    with pytest.raises(StoreRefusedError, match="is no folder"):
        store.back_up(tmp_path / "nowhere" / "copy.db")


def test_damaged_file_is_found_at_start(store, tmp_path):
    store.close()
    path = tmp_path / "readings.db"
    size = path.stat().st_size
    with path.open("r+b") as file:
        file.seek(size // 2 // 4096 * 4096)
        file.write(b"\xa5" * 4096 * 4)
    with pytest.raises(StoreRefusedError, match=r"readings\.db.*damaged.*restore a backup"):
        SqliteStore(path)


def test_large_damaged_file_is_found_in_the_background(store, tmp_path, monkeypatch):
    store.close()
    path = tmp_path / "readings.db"
    with path.open("r+b") as file:
        file.seek(path.stat().st_size // 2 // 4096 * 4096)
        file.write(b"\xa5" * 4096 * 4)
    monkeypatch.setattr(sqlite_upkeep, "CHECK_AT_ONCE_BYTES", 1000)
    damaged = SqliteStore(path)
    assert damaged.checked.wait(20)
    assert not damaged.health().reachable
    assert "damaged" in damaged.health().detail
    with pytest.raises(StoreRefusedError, match="damaged"):
        damaged.write([reading(to_us(NOW), 24.0)])
    damaged.close()


def test_closing_does_not_wait_for_the_background_check(store, tmp_path, monkeypatch):
    store.close()
    monkeypatch.setattr(sqlite_upkeep, "CHECK_AT_ONCE_BYTES", 1000)
    sound = SqliteStore(tmp_path / "readings.db")
    sound.write([reading(to_us(NOW), 24.0)])
    sound.close()
    again = SqliteStore(tmp_path / "readings.db")
    assert again.checked.wait(20)
    assert again.health().reachable
    assert again.extent(KEY).count == 29 * 144 + 93
    again.close()


def test_disk_that_fills_during_backup_leaves_no_half_copy(store, tmp_path, monkeypatch):
    def full(connection, to):
        error = sqlite3.OperationalError("database or disk is full")
        error.sqlite_errorcode = sqlite3.SQLITE_FULL
        raise error

    monkeypatch.setattr(sqlite_upkeep, "back_up", full)
    with pytest.raises(StoreUnavailableError, match="the disk is full"):
        store.back_up(tmp_path / "copy.db")
    assert not (tmp_path / "copy.db").exists()
