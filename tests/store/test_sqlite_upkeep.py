"""Backup, check and rebuilding of the SQLite store."""

from __future__ import annotations

import sqlite3
import threading
from datetime import timedelta

import numpy as np
import pytest

from service.errors import StoreRefusedError, StoreUnavailableError
from service.store import Flag
from service.store.retention import RetentionPolicy
from service.store.sqlite import block, upkeep
from service.store.sqlite.store import SqliteStore
from service.times import to_us
from tests.store.month import (
    DAY,
    HOUR,
    KEY,
    LEVELS,
    MINUTE,
    NOW,
    SECOND,
    START,
    all_of,
    reading,
    same,
)


@pytest.fixture
def store(month):
    return month


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
    with store._connections.writing() as connection:
        connection.execute("UPDATE rollup_day SET n = 7 WHERE span % 2")
        connection.execute("DELETE FROM rollup_minute WHERE hour % 3 = 0")
        connection.execute("UPDATE rollup_minute SET body = x'00' WHERE hour % 3 = 1")
        connection.execute("INSERT INTO rollup_minute VALUES (1, 1, 1, x'00')")
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
    monkeypatch.setattr(block, "_MOST_HOURS", 5)
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
    monkeypatch.setattr(upkeep, "CHECK_AT_ONCE_BYTES", 1000)
    damaged = SqliteStore(path)
    assert damaged.checked.wait(60)
    assert not damaged.health().reachable
    assert "damaged" in damaged.health().detail
    with pytest.raises(StoreUnavailableError, match="damaged"):
        damaged.write([reading(to_us(NOW), 24.0)])
    damaged.close()


def test_closing_does_not_wait_for_the_background_check(store, tmp_path, monkeypatch):
    store.close()
    monkeypatch.setattr(upkeep, "CHECK_AT_ONCE_BYTES", 1000)
    sound = SqliteStore(tmp_path / "readings.db")
    sound.write([reading(to_us(NOW), 24.0)])
    sound.close()
    again = SqliteStore(tmp_path / "readings.db")
    assert again.checked.wait(60)
    assert again.health().reachable
    assert again.extent(KEY).count == 29 * 144 + 93
    again.close()


def test_disk_that_fills_during_backup_leaves_no_half_copy(store, tmp_path, monkeypatch):
    def full(connection, to):
        error = sqlite3.OperationalError("database or disk is full")
        error.sqlite_errorcode = sqlite3.SQLITE_FULL
        raise error

    monkeypatch.setattr(upkeep, "back_up", full)
    with pytest.raises(StoreUnavailableError, match="the disk is full"):
        store.back_up(tmp_path / "copy.db")
    assert not (tmp_path / "copy.db").exists()
