"""The queue on disk."""

from __future__ import annotations

import sqlite3

import pytest

from ingest.deliver.spool import Depth, Spool
from ingest.deliver.spool_connection import SpoolFullError
from service.errors import ConfigError


@pytest.fixture
def spool(tmp_path):
    made = Spool(tmp_path / "spool.db", 64)
    yield made
    made.close()


def test_order_and_depth_survive_reopening(tmp_path):
    path = tmp_path / "spool.db"
    spool = Spool(path, 10)
    for n in range(5):
        spool.append("readings", b"%d" % n, 10, 1000 + n)
    spool.sent("readings", spool.head("readings", 10))
    spool.close()
    spool = Spool(path, 10)
    assert spool.depth("readings") == Depth(40, 4, 1001)
    assert [b.body for b in spool.head("readings", 25)] == [b"1", b"2"]
    assert [b.body for b in spool.head("readings", 1)] == [b"1"]
    assert spool.head("rejections", 10) == []
    spool.close()


def test_bound_is_kept_and_room_comes_back(tmp_path):
    path = tmp_path / "spool.db"
    spool = Spool(path, 1)
    with pytest.raises(SpoolFullError, match="full"):
        for _ in range(100):
            spool.append("readings", b"x" * 50_000, 1, 0)
    kept = spool.depth("readings").batches
    assert 10 < kept < 21
    assert path.stat().st_size <= 1_000_000
    spool.sent("readings", spool.head("readings", 1000))
    assert spool.depth("readings") == Depth(0, 0, None)
    spool.append("readings", b"x" * 50_000, 1, 0)
    spool.close()


def test_a_file_with_the_larger_pages_of_version_0_1_keeps_its_batches_and_the_bound(
    tmp_path, monkeypatch
):
    path = tmp_path / "spool.db"
    with monkeypatch.context() as before:
        before.setattr("ingest.deliver.spool_file.PAGE_BYTES", 4096)
        spool = Spool(path, 1)
        for n in range(9):
            spool.append("readings", b"%d" % n * 3000, 1, 1000 + n)
        spool.sent("readings", spool.head("readings", 2))
        spool.close()
    spool = Spool(path, 1)
    assert spool.depth("readings") == Depth(7, 7, 1002)
    assert [one.body[:1] for one in spool.head("readings", 2)] == [b"2", b"3"]
    assert spool.append("readings", b"x", 1, 2000) == 10
    with pytest.raises(SpoolFullError, match="full"):
        for _ in range(100):
            spool.append("readings", b"x" * 50_000, 1, 0)
    spool.close()
    assert path.stat().st_size <= 1_000_000


def test_second_process_and_foreign_file_are_refused(tmp_path, spool, monkeypatch):
    monkeypatch.setattr("ingest.deliver.spool_file.LOCK_PATIENCE_S", 0.1)
    with pytest.raises(ConfigError, match=r"spool_path.*locked"):
        Spool(spool.path, 1)
    other = tmp_path / "other.db"
    with sqlite3.connect(other) as db:
        db.execute("CREATE TABLE mine (x)")
    db.close()
    with pytest.raises(ConfigError, match="another program"):
        Spool(other, 1)
    text = tmp_path / "notes.txt"
    text.write_text("not a database, but long enough to be looked at as one" * 100)
    with pytest.raises(ConfigError, match="not a database"):
        Spool(text, 1)
    with pytest.raises(ConfigError, match="spool_path"):
        Spool(tmp_path / "notes.txt" / "spool.db", 1)
