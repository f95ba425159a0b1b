"""What only the SQLite store promises: one file, several processes, crash-proof."""

from __future__ import annotations

import shlex
import sqlite3
import subprocess
import sys
import threading

import pytest

from service import database_file
from service.errors import ConfigError, StoreRefusedError, StoreUnavailableError
from service.store import Reading, SeriesKey, open_store
from service.store.sqlite import file, read
from service.store.sqlite.store import SqliteStore

KEY = SeriesKey("quarry-pool", "ph", "probe-1")


def reading(i):
    return Reading(*("quarry-pool", "ph", "probe-1"), 1_780_000_000_000_000 + i, 6.6)


def count(store):
    return len(store.read(KEY, 0, 2**62, flagged=True))


@pytest.mark.parametrize("url", ["sqlite://", "sqlite:///", "sqlite:///:memory:", "sqlite:x.db"])
def test_url_must_name_a_file(url):
    with pytest.raises(ConfigError, match="allowed: sqlite:///PATH"):
        open_store(url)


def test_unknown_scheme_names_what_is_allowed():
    with pytest.raises(ConfigError, match=r"store\.url is 'mysql://x'; allowed: sqlite:///"):
        open_store("mysql://x")


def test_the_series_of_a_tank_are_found_without_reading_those_of_others(tmp_path):
    """Counted in tens of the database engine's own steps."""
    store = SqliteStore(tmp_path / "readings.db")
    connection = file.connect(tmp_path / "readings.db", read_only=True)

    def steps():
        counted = []
        connection.set_progress_handler(lambda: counted.append(1), 10)
        (found,) = read.series(connection, ["tank-1"])
        assert found.key.tank == "tank-1"
        return len(counted)

    def fill(tanks):
        at_us = 1_780_000_000_000_000
        store.write([Reading(f"tank-{number}", "ph", "s", at_us, 6.6) for number in range(tanks)])

    fill(3)
    few = steps()
    fill(300)
    assert steps() <= 1.5 * few
    connection.close()
    store.close()


def test_every_commit_waits_for_the_disk(tmp_path):
    connection = file.open_file(tmp_path / "readings.db")
    assert connection.execute("PRAGMA journal_mode").fetchone() == ("wal",)
    assert connection.execute("PRAGMA synchronous").fetchone() == (2,)
    connection.close()


def test_newer_file_is_refused_and_left_alone(tmp_path):
    path = tmp_path / "readings.db"
    SqliteStore(path).close()
    with sqlite3.connect(path) as raw:
        raw.execute(f"PRAGMA user_version = {file.SCHEMA_VERSION + 1}")
    raw.close()
    with pytest.raises(StoreRefusedError, match="was written by a newer version"):
        SqliteStore(path)


def test_another_programs_file_is_refused(tmp_path):
    path = tmp_path / "readings.db"
    with sqlite3.connect(path) as raw:
        raw.execute("CREATE TABLE recipe (id INTEGER)")
    raw.close()
    with pytest.raises(StoreRefusedError, match="another program's SQLite file"):
        SqliteStore(path)


def test_no_sqlite_file_is_refused(tmp_path):
    path = tmp_path / "readings.db"
    path.write_bytes(b"time,value\n" * 1000)
    with pytest.raises(StoreRefusedError, match=r"damaged or no SQLite file"):
        SqliteStore(path)


def test_folder_that_cannot_be_made_is_unavailable(tmp_path):
    (tmp_path / "var").write_text("a file, not a folder")
    with pytest.raises(StoreUnavailableError, match="the folder cannot be made"):
        SqliteStore(tmp_path / "var" / "readings.db")


_WRITER = """
import sys
import threading
from service.store import Reading, open_store
store = open_store(sys.argv[1])
start = int(sys.argv[2])
for batch in range(10_000):
    store.write([Reading("quarry-pool", "ph", "probe-1", 1_780_000_000_000_000 + start
                 + batch * 10 + i, 6.6) for i in range(10)])
    print(batch + 1, flush=True)
"""


def _writer(url, start=0):
    return subprocess.Popen(
        [sys.executable, "-c", _WRITER, url, str(start)], stdout=subprocess.PIPE, text=True
    )


def test_kill_9_loses_nothing_that_was_written(tmp_path):
    url = f"sqlite:///{tmp_path}/readings.db"
    process = _writer(url)
    for line in process.stdout:
        if int(line) >= 50:
            break
    process.kill()
    told = max([50, *(int(line) for line in process.stdout.read().split())])
    process.wait()
    store = open_store(url)
    assert count(store) >= told * 10
    assert count(store) % 10 == 0
    store.write([reading(-1)])
    store.close()


@pytest.mark.slow
def test_several_processes_create_and_write_at_once(tmp_path):
    url = f"sqlite:///{tmp_path}/readings.db"
    processes = [_writer(url, start * 1_000_000) for start in range(4)]
    for process in processes:
        for line in process.stdout:
            if int(line) >= 20:
                break
    for process in processes:
        process.kill()
        process.wait()
    store = open_store(url)
    assert count(store) >= 4 * 20 * 10
    store.close()


def test_a_new_file_that_another_program_is_just_writing_is_waited_for(tmp_path, monkeypatch):
    """SQLite's own timeout does not cover the moment at which a new file gets its log."""
    path = tmp_path / "readings.db"
    other = sqlite3.connect(path, isolation_level=None)
    other.execute("BEGIN IMMEDIATE")
    monkeypatch.setattr(database_file.time, "sleep", lambda _: other.execute("ROLLBACK"))
    store = SqliteStore(path)
    assert not other.in_transaction
    store.write([reading(0)])
    assert count(store) == 1
    store.close()
    other.close()


def test_a_new_file_that_is_written_for_too_long_is_unavailable(tmp_path, monkeypatch):
    monkeypatch.setattr(file, "BUSY_TIMEOUT_S", 0.1)
    other = sqlite3.connect(tmp_path / "readings.db", isolation_level=None)
    other.execute("BEGIN IMMEDIATE")
    with pytest.raises(StoreUnavailableError, match="another process has been writing"):
        SqliteStore(tmp_path / "readings.db")
    other.close()


def test_a_writer_that_holds_on_makes_it_unavailable(tmp_path, monkeypatch):
    monkeypatch.setattr(file, "BUSY_TIMEOUT_S", 0.1)
    store = SqliteStore(tmp_path / "readings.db")
    other = sqlite3.connect(tmp_path / "readings.db", isolation_level=None)
    other.execute("BEGIN IMMEDIATE")
    with pytest.raises(StoreUnavailableError, match="another process has been writing"):
        store.write([reading(0)])
    other.execute("ROLLBACK")
    store.write([reading(0)])
    assert count(store) == 1
    other.close()
    store.close()


def test_full_disk_keeps_nothing_of_the_batch_and_all_before(tmp_path, monkeypatch):
    connections = []

    def connect(path, *, read_only=False):
        connections.append(plainly(path, read_only=read_only))
        return connections[-1]

    plainly = file.connect
    monkeypatch.setattr(file, "connect", connect)
    store = SqliteStore(tmp_path / "readings.db")
    writer = connections[0]
    store.write([reading(i) for i in range(100)])
    (pages,) = writer.execute("PRAGMA page_count").fetchone()
    writer.execute(f"PRAGMA max_page_count = {pages + 2}")
    with pytest.raises(StoreUnavailableError, match="the disk is full"):
        store.write([reading(i) for i in range(100, 20_000)])
    assert count(store) == 100
    writer.execute("PRAGMA max_page_count = 1000000")
    store.write([reading(i) for i in range(100, 20_000)])
    assert count(store) == 20_000
    store.close()


def test_readers_see_whole_batches_only(tmp_path):
    store = SqliteStore(tmp_path / "readings.db")
    done, faults = threading.Event(), []

    def read_on():
        while not done.is_set():
            if count(store) % 25:
                faults.append(count(store))

    thread = threading.Thread(target=read_on)
    thread.start()
    for batch in range(100):
        store.write([reading(batch * 25 + i) for i in range(25)])
    done.set()
    thread.join()
    assert faults == []
    store.close()


_FILLER = """
import resource, subprocess, sys
from service.errors import StoreUnavailableError
from service.store import Reading, SeriesKey, open_store
folder, limit = sys.argv[1:]
store = open_store(f"sqlite:///{folder}/readings.db")
_, most = resource.getrlimit(resource.RLIMIT_FSIZE)
def write(start, readings):
    store.write([Reading("quarry-pool", "ph", "probe-1", 1_780_000_000_000_000 + start + i, 6.6)
                 for i in range(readings)])
def kept():
    key = SeriesKey("quarry-pool", "ph", "probe-1")
    count = store.aggregate(key, 0, 2**53, 86_400_000_000).count.sum()
    assert count == store.extent(key).count == len(store.read(key, 0, 2**53)) > 0, count
    return count
if limit == "size of a file":
    resource.setrlimit(resource.RLIMIT_FSIZE, (2_000_000, most))
told = 0
try:
    while told < 10_000:
        write(told * 500, 500)
        told += 1
except StoreUnavailableError as error:
    print(error.detail)
assert kept() == told * 500, told
store.check()
resource.setrlimit(resource.RLIMIT_FSIZE, (most, most))
if limit == "disk":
    subprocess.run(["mount", "-o", "remount,size=64m", folder], check=True)
write(told * 500, 20_000)
assert kept() == told * 500 + 20_000
store.check()
"""


def _on_a_disk_of(folder):
    """What to put before a command so that a folder is a disk of 2 MB to it, and to nobody else.

    None where the machine does not let a program mount anything.
    """
    mount = ("mount", "-t", "tmpfs", "-o", "size=2m", "none", str(folder))
    alone = ("unshare", "--map-root-user", "--mount")
    if subprocess.run([*alone, *mount], capture_output=True, check=False).returncode:
        return None
    return [*alone, "sh", "-c", shlex.join(mount) + ' && exec "$@"', "sh"]


@pytest.mark.parametrize(
    ("limit", "said"),
    [("size of a file", "cannot be read or written"), ("disk", "the disk is full")],
)
def test_when_the_machine_has_no_room_all_that_was_told_is_kept(tmp_path, limit, said):
    """The operating system refuses to write on, not SQLite; with room again it goes on.

    Once by a limit on the size of files, once on a full disk; that falls back on the first where
    nothing may be mounted.
    """
    before = _on_a_disk_of(tmp_path) if limit == "disk" else []
    if before is None:
        before, limit, said = [], "size of a file", "cannot be read or written"
    done = subprocess.run(
        [*before, sys.executable, "-c", _FILLER, str(tmp_path), limit],
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    assert said in done.stdout
