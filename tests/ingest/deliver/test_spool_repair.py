"""A spool that is killed or damaged keeps each batch that can be read, and delivers it.

The offsets are those of SQLite's file format (sqlite.org/fileformat2): pages from the file's start,
frames of 24 bytes and a page after the 32 bytes of the log's header.
"""

from __future__ import annotations

import os
import random
import signal
import sqlite3
from pathlib import Path

import pytest

from ingest.deliver import spool_pages, spool_repair
from ingest.deliver.encoding import decode_readings, encode_readings
from ingest.deliver.spool import Depth, Spool
from ingest.deliver.spool_connection import SpoolFullError
from service.errors import ConfigError
from tests.ingest.conftest import FORKED
from tests.ingest.deliver.test_aside import batch, filled

PAGE = 512
FRAME = 24 + PAGE
#: Enough for a root page of the table that holds no rows itself; larger than a page, and smaller.
BATCHES = 60


def body(n):
    return b"%06d" % n * (900 if n % 3 else 100)


def fill(path, batches, acknowledged=None):
    """A process that fills a spool and is killed, or is to be killed meanwhile."""
    spool = Spool(path, 64)
    for n in range(batches):
        spool.append("readings", body(n), 10, n)
        if acknowledged is not None:
            acknowledged.value = n + 1
    os.kill(os.getpid(), signal.SIGKILL)


def in_process(work, *values):
    """Run a process until it has been killed."""
    process = FORKED.Process(target=work, args=values, daemon=True)
    process.start()
    process.join(60)
    assert process.exitcode == -signal.SIGKILL


def killed(path, batches=BATCHES):
    in_process(fill, path, batches)
    return path


def bodies(path):
    """What a new process finds, and the spool."""
    spool = Spool(path, 64)
    found = [one.body for one in spool.head("readings", 1 << 40)]
    return found, spool


def overwrite(path, at, size):
    with path.open("r+b") as file:
        assert os.fstat(file.fileno()).st_size >= at + size
        file.seek(at)
        file.write(random.Random(at).randbytes(size))


def test_each_batch_that_was_accepted_outlives_kills_while_it_is_filled(tmp_path):
    path = tmp_path / "spool.db"
    expected = 0
    for least in (1, 40, 300):
        acknowledged = FORKED.Value("l", 0)
        process = FORKED.Process(target=fill, args=(path, 100_000, acknowledged), daemon=True)
        process.start()
        while acknowledged.value < least:
            assert process.is_alive()
        os.kill(process.pid, signal.SIGKILL)
        process.join(60)
        spool = Spool(path, 64)
        depth = spool.depth("readings").batches
        expected += acknowledged.value
        assert expected <= depth <= expected + 1, "one may be safe and not yet acknowledged"
        assert spool.aside.count() == 0
        expected = depth
        spool.close()


@pytest.mark.parametrize("page", [0, 1, 2, 5, 9, 20, 27])
def test_a_damaged_page_costs_no_batch_but_those_that_stand_in_it(tmp_path, page):
    path = tmp_path / "spool.db"
    killed(path)
    Spool(path, 64).close()  # the log goes into the file
    assert not path.with_name("spool.db-wal").exists()
    overwrite(path, page * PAGE, PAGE)
    found, spool = bodies(path)
    # A page of the table holds at most 6 of the short ones, each third, and starts of 9 long ones.
    assert len(found) >= BATCHES - 15
    if page < 3:
        assert len(found) == BATCHES, "none stands in the header and the roots"
    assert set(found) <= set(map(body, range(BATCHES)))
    assert spool.append("readings", b"next", 1, 0) > BATCHES - 15
    spool.close()


@pytest.mark.parametrize("frame", [0, 20, 140])
def test_a_damaged_frame_of_the_log_hides_no_later_batch(tmp_path, frame):
    path = killed(tmp_path / "spool.db")
    log = path.with_name("spool.db-wal")
    assert not spool_pages.log_is_cut(path)
    overwrite(log, 32 + frame * FRAME + 24, PAGE)
    assert spool_pages.log_is_cut(path)
    found, spool = bodies(path)
    assert len(found) >= BATCHES - 1
    assert set(found) <= set(map(body, range(BATCHES)))
    assert {one.suffix for one in spool.aside.folder.iterdir()} == {".db", ".db-wal"}
    assert spool.aside.count() == 1
    spool.close()


def test_a_last_transaction_that_was_not_finished_is_no_damage(tmp_path):
    path = killed(tmp_path / "spool.db")
    log = path.with_name("spool.db-wal")
    os.truncate(log, log.stat().st_size - 100)
    found, spool = bodies(path)
    assert found == [body(n) for n in range(BATCHES - 1)]
    assert spool.aside.count() == 0
    spool.close()


def replace_until(path, step, *, after):
    """Replace a spool and be killed at one of the steps that change names of files."""
    rename, steps = Path.rename, iter(range(100))

    def killing(old, new):
        here = next(steps) == step
        if here and not after:
            os.kill(os.getpid(), signal.SIGKILL)
        rename(old, new)
        if here:
            os.kill(os.getpid(), signal.SIGKILL)

    Path.rename = killing
    spool_repair.replaced(path, 64, spool_repair.Aside(path.with_name("spool.db.aside")))


@pytest.mark.parametrize("after", [False, True])
@pytest.mark.parametrize("step", range(4))
def test_a_kill_while_a_damaged_spool_is_replaced_loses_nothing(tmp_path, step, after):
    path = killed(tmp_path / "spool.db")
    process = FORKED.Process(
        target=replace_until, args=(path, step), kwargs={"after": after}, daemon=True
    )
    process.start()
    process.join()
    assert process.exitcode == -signal.SIGKILL
    found, spool = bodies(path)
    assert found == [body(n) for n in range(BATCHES)]
    assert spool.aside.count() == (0 if (step, after) == (0, False) else 1)
    spool.close()
    left = {one.name for one in tmp_path.iterdir()}
    assert left <= {"spool.db", "spool.db-shm", "spool.db.aside"}


def test_what_was_deleted_does_not_come_again(tmp_path):
    path = killed(tmp_path / "spool.db")
    spool = Spool(path, 64)
    spool.sent("readings", spool.head("readings", 550))
    spool.close()
    with sqlite3.connect(path) as db:
        assert db.execute("PRAGMA freelist_count").fetchone() > (20,)
    db.close()
    overwrite(path, PAGE, PAGE)
    found, spool = bodies(path)
    assert set(found) == set(map(body, range(55, BATCHES)))
    spool.close()


def test_a_file_of_another_program_is_refused_and_stays(tmp_path):
    path = tmp_path / "spool.db"
    path.write_bytes(random.Random(1).randbytes(20 * PAGE))
    before = path.read_bytes()
    with pytest.raises(ConfigError, match="not a database"):
        Spool(path, 64)
    assert path.read_bytes() == before
    assert not path.with_name("spool.db.aside").exists()


class Damaged:
    """A connection that finds a page damaged, whatever is asked."""

    def __init__(self, real):
        self.close = real.close

    def execute(self, *_):
        error = sqlite3.DatabaseError("database disk image is malformed")
        error.sqlite_errorcode = sqlite3.SQLITE_CORRUPT
        raise error


def test_a_spool_of_zeros_is_replaced(tmp_path):
    path = tmp_path / "spool.db"
    filled(path)
    path.write_bytes(bytes(path.stat().st_size))
    spool = Spool(path, 10)
    assert spool.depth("readings") == Depth()
    assert spool.aside.count() == 1
    spool.close()


def test_damage_said_once_of_a_sound_file_is_looked_at_again_and_twice_replaces_it(tmp_path):
    path = tmp_path / "spool.db"
    spool = Spool(path, 10)
    for n in range(4):
        spool.append("readings", encode_readings(batch(1000 * n)), 400, n)
    spool._db = Damaged(spool._db)
    with pytest.raises(SpoolFullError, match=r"damaged .* opened anew"):
        spool.append("readings", encode_readings(batch(9000)), 400, 9)
    assert spool.aside.count() == 0, "a new connection finds nothing wrong"
    spool._db = Damaged(spool._db)
    with pytest.raises(SpoolFullError, match=r"damaged .* opened anew"):
        spool.append("readings", encode_readings(batch(9000)), 400, 9)
    assert spool.aside.count() == 1, "it comes again"
    spool.append("readings", encode_readings(batch(9000)), 400, 9)
    found = [decode_readings(one.body) for one in spool.head("readings", 10_000)]
    assert found == [batch(1000 * n) for n in (0, 1, 2, 3, 9)]
    spool.close()


def test_a_damaged_spool_that_cannot_be_replaced_at_once_is_later(tmp_path, monkeypatch):
    path = tmp_path / "spool.db"
    spool = Spool(path, 10)
    spool.append("readings", encode_readings(batch(0)), 400, 0)

    def full(*_):
        raise OSError("no space left on device (by this test)")

    error = sqlite3.DatabaseError("database disk image is malformed")
    error.sqlite_errorcode = sqlite3.SQLITE_CORRUPT
    spool._suspected = True
    with monkeypatch.context() as patched:
        patched.setattr(spool_repair, "replaced", full)
        with pytest.raises(SpoolFullError, match="no space left"), spool._guarded():
            raise error
    spool.append("readings", encode_readings(batch(1000)), 400, 1)
    assert len(spool.head("readings", 10_000)) == 2
    spool.close()
