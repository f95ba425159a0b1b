"""The SQLite store's file is moved, deleted, replaced or damaged, in use or at start."""

from __future__ import annotations

import contextlib
import shutil
import sqlite3
import stat
import threading

import pytest

from service.app.heap import bound_page_caches
from service.errors import NotFoundError, StoreRefusedError, StoreUnavailableError
from service.store import daily_check, open_store
from service.store.sqlite import connections
from service.store.sqlite.store import SqliteStore
from tests.servers import wait_until
from tests.store.month import KEY, SECOND, START, reading

PAGE = 4096


@pytest.fixture(autouse=True)
def _no_pause(monkeypatch):
    monkeypatch.setattr(connections, "_EVERY_S", 0.0)


@pytest.fixture
def path(tmp_path):
    return tmp_path / "var" / "readings.db"


@pytest.fixture
def make(path):
    """``make()``: one more process with the store open, as far as a thread can be one."""
    made = []

    def opened(**options):
        made.append(SqliteStore(path, **options))
        return made[-1]

    yield opened
    for store in made:
        store.close()


def some(first, count=50):
    return [
        reading(START + (first + n) * SECOND, 20.0 + (first + n) % 50 / 10) for n in range(count)
    ]


def times(store):
    return ((store.read(KEY, 0, 2**62).time_us - START) // SECOND).tolist()


def refuses(store, why):
    with pytest.raises(StoreUnavailableError, match=why):
        store.write(some(900))
    with pytest.raises(StoreUnavailableError, match=why):
        times(store)
    health = store.health()
    assert not health.reachable
    assert why in health.detail


def spoil(path):
    """Overwrite the leaves of a table, as a failing card or another program does."""
    pages = path.stat().st_size // PAGE
    with path.open("r+b") as file:
        for page in range(2, pages):
            file.seek(page * PAGE)
            file.write(b"\xa5" * PAGE)


def test_a_deleted_file_takes_nothing_and_is_not_made_anew(make, path):
    store, other = make(), make()
    store.write(some(0))
    path.unlink()
    refuses(store, "moved or deleted")
    refuses(other, "moved or deleted")
    assert not path.exists()


def test_a_file_deleted_during_the_write_is_noticed_before_the_write_returns(
    make, path, monkeypatch
):
    store = make()
    store.write(some(0))
    real = connections.file.transaction

    class Deleting:
        def __init__(self, connection):
            self._real = real(connection)

        def __enter__(self):
            return self._real.__enter__()

        def __exit__(self, *what):
            path.unlink()
            return self._real.__exit__(*what)

    monkeypatch.setattr(connections.file, "transaction", Deleting)
    with pytest.raises(StoreUnavailableError, match="moved or deleted"):
        store.write(some(100))


def test_a_moved_file_that_is_put_back_has_lost_nothing(make, path):
    store, other = make(), make()
    store.write(some(0))
    moved = path.with_name("elsewhere.db")
    path.rename(moved)
    refuses(store, "moved or deleted")
    refuses(other, "moved or deleted")
    moved.rename(path)
    assert times(other) == list(range(50))
    store.write(some(50))
    assert store.health().reachable
    assert times(store) == times(other) == list(range(100))
    store.check()


@pytest.mark.parametrize("end", ["-wal", "-shm"])
def test_after_its_log_was_deleted_the_file_is_opened_anew_with_all_that_was_written(
    make, path, end
):
    store = make()
    store.write(some(0))
    path.with_name(path.name + end).unlink()
    store.write(some(50))
    assert times(store) == times(make()) == list(range(100))
    store.check()


def test_a_backup_put_in_its_place_is_used_at_once(make, path, tmp_path):
    store, other = make(), make()
    store.write(some(0))
    backup = tmp_path / "backup.db"
    store.back_up(backup)
    store.write(some(50))
    path.unlink()
    shutil.copy(backup, path)
    assert store.health().reachable, store.health().detail
    store.write(some(200))
    assert times(store) == times(other) == [*range(50), *range(200, 250)]
    store.check()
    left = [one.name for one in path.parent.iterdir() if "-of-lost-" in one.name]
    assert left, "the log of the lost file is kept beside it"


def test_damage_while_in_use_is_noticed_by_all_and_a_backup_puts_it_right(make, path, tmp_path):
    store, other = make(), make()
    for first in range(0, 5000, 500):
        store.write(some(first, 500))
    backup = tmp_path / "backup.db"
    store.back_up(backup)
    with sqlite3.connect(path) as db:
        db.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    db.close()
    spoil(path)
    with pytest.raises(StoreUnavailableError, match="damaged"):
        times(other)
    refuses(other, "damaged")
    refuses(store, "damaged")  # also the one that has read no damaged page
    with pytest.raises(StoreRefusedError, match="damaged"):
        make()
    third = make(wait=True)
    refuses(third, "damaged")
    marker = path.with_name(path.name + "-damaged")
    assert stat.S_IMODE(marker.stat().st_mode) == 0o600
    path.rename(tmp_path / "damaged.db")
    shutil.copy(backup, path)
    for one in (third, store, other):
        assert one.health().reachable, one.health().detail
        assert len(times(one)) == 5000
    store.write(some(6000))
    store.check()
    assert not marker.exists()


def test_a_file_overwritten_under_a_writer_with_all_in_its_cache_is_noticed(
    make, path, monkeypatch
):
    bound_page_caches(0)  # no bound, whatever a command that ran in this process has set
    store = make()
    store.write(some(0))
    with store._connections.writing() as writer:
        writer.execute("SELECT count(*) FROM reading")
    store._connections._writer.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    with path.open("r+b") as file:
        file.write(b"\xa5" * path.stat().st_size)
    store.write(some(100))  # its cache has all that this takes
    monkeypatch.setattr(connections, "_PROBE_EVERY_S", 0.0)
    refuses(store, "damaged")


def test_the_daily_check_gives_a_damaged_store_up(make, path, monkeypatch):
    store = make()
    for first in range(0, 5000, 500):
        store.write(some(first, 500))
    with sqlite3.connect(path) as db:
        db.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    db.close()
    spoil(path)
    monkeypatch.setattr(daily_check, "EVERY_S", 0.0)
    stop = threading.Event()
    checking = threading.Thread(target=daily_check.check_daily, args=(store, stop))
    checking.start()
    wait_until(lambda: path.with_name(path.name + "-damaged").exists())
    stop.set()
    checking.join()
    refuses(store, "damaged")


def test_another_damaged_file_in_its_place_is_not_taken(make, path, tmp_path):
    store = make()
    store.write(some(0, 500))
    backup = tmp_path / "backup.db"
    store.back_up(backup)
    path.unlink()
    shutil.copy(backup, path)
    spoil(path)
    refuses(store, "damaged")
    refuses(store, "damaged")
    path.unlink()
    shutil.copy(backup, path)
    assert len(times(store)) == 500


def test_zeros_and_another_programs_file_are_not_taken(make, path):
    store = make()
    store.write(some(0))
    path.unlink()
    path.write_bytes(bytes(10 * PAGE))
    refuses(store, str(path))
    path.unlink()
    with sqlite3.connect(path) as db:
        db.execute("CREATE TABLE mine (x)")
    db.close()
    refuses(store, "another program's")
    with sqlite3.connect(path) as db:
        assert db.execute("SELECT count(*) FROM sqlite_master").fetchone() == (1,)
    db.close()


def test_a_store_that_waits_for_a_missing_file_makes_none_and_takes_one_that_comes(make, path):
    with pytest.raises(NotFoundError):
        make(create=False)
    store = make(create=False, wait=True)
    refuses(store, "is not there, and was before")
    assert not path.exists()
    make().write(some(0))
    assert times(store) == list(range(50))
    store.write(some(50))
    assert times(store) == list(range(100))


def test_a_folder_that_comes_later_is_waited_for(tmp_path):
    """Such as a disk that is not mounted yet."""
    folder = tmp_path / "disk"
    folder.write_text("no folder")
    store = open_store(f"sqlite:///{folder}/readings.db", wait=True)
    assert not store.health().reachable
    folder.unlink()
    folder.mkdir()
    SqliteStore(folder / "readings.db").close()
    assert store.health().reachable
    store.close()


def test_a_file_that_cannot_be_used_for_another_reason_is_refused_all_the_same(path):
    path.parent.mkdir()
    with sqlite3.connect(path) as db:
        db.execute("CREATE TABLE mine (x)")
    db.close()
    with pytest.raises(StoreRefusedError, match="another program's"):
        SqliteStore(path, wait=True)


def test_a_file_that_another_process_holds_at_the_start_is_used_when_it_is_free(
    make, path, monkeypatch
):
    """Such as while another packs a large one and is killed: the file stays as it was."""
    monkeypatch.setattr(connections.file, "BUSY_TIMEOUT_S", 0.05)
    monkeypatch.setattr(connections, "_BUSY_AGAIN_S", 0.01)
    make().write(some(0))
    with contextlib.closing(sqlite3.connect(path, isolation_level=None)) as other:
        other.execute("BEGIN IMMEDIATE")
        store = make(wait=True)
        refuses(store, "another process has been writing for too long")
        before = connections.DatabaseFile(path, with_log=False).state()
        other.execute("ROLLBACK")
    assert connections.DatabaseFile(path, with_log=False).state() == before
    store.write(some(50))
    assert times(store) == list(range(100))
