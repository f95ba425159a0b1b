"""The queue on disk, the buffered writer that uses it, and the journal in it."""

from __future__ import annotations

import sqlite3
import threading

import pytest

from ingest.decode.message import FirstDelivery, Message
from ingest.deliver.buffered_writer import BufferedWriter, Sink
from ingest.deliver.encoding import (
    decode_readings,
    decode_rejections,
    encode_readings,
    encode_rejections,
)
from ingest.deliver.journal import Journal
from ingest.deliver.spool import Depth, Spool, SpoolFullError
from service.clock import SystemClock
from service.errors import ConfigError, StoreRefusedError, StoreUnavailableError
from service.registry.models import Rejection
from service.store import Flag, Reading
from service.times import from_us
from tests.servers import wait_until


@pytest.fixture
def spool(tmp_path):
    made = Spool(tmp_path / "spool.db", 64)
    yield made
    made.close()


def test_readings_and_rejections_come_back_exactly():
    readings = [
        Reading("reed", "ph", "main", 1_700_000_000_000_001, 0.1 + 0.2, Flag.SPIKE | Flag.LATE),
        Reading("reed", "ph", "µ", 2, 1e-300, raw=-17.8),
    ]
    assert decode_readings(encode_readings(readings)) == readings
    rejections = [Rejection(from_us(1), "a/b", "\x00ü", "empty", "why", "route", "reed")]
    assert decode_rejections(encode_rejections(rejections)) == rejections


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


def test_second_process_and_foreign_file_are_refused(tmp_path, spool, monkeypatch):
    monkeypatch.setattr("ingest.deliver.spool.LOCK_PATIENCE_S", 0.1)
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


class Target:
    """A sink that takes, refuses or is away as a test says."""

    def __init__(self):
        self.items = []
        self.away = False
        self.poison = set()
        self.broken = False
        self.started = 1.0
        self.refused = []

    def write(self, items):
        if self.away:
            raise StoreUnavailableError("away")
        if self.broken or self.poison & set(items):
            raise StoreRefusedError("no")
        self.items.extend(items)

    def sink(self, safe_after_s=0.0):
        return Sink(
            "numbers",
            self.write,
            lambda items: ",".join(map(str, items)).encode(),
            lambda body: [int(n) for n in body.split(b",")],
            self.refused.extend,
            safe_after_s,
            lambda: self.started,
        )


@pytest.fixture
def draining():
    stop = threading.Event()
    running = []

    def run(writer):
        thread = threading.Thread(target=writer.drain, args=(stop,))
        thread.start()
        running.append((writer, thread))
        return writer

    yield run
    stop.set()
    for writer, thread in running:
        writer.wake()
        thread.join(60)


def test_straight_while_there_then_spool_then_straight_again(spool, draining):
    target = Target()
    writer = draining(BufferedWriter(target.sink(), spool, SystemClock()))
    writer.accept([1, 2])
    assert target.items == [1, 2]
    target.away = True
    writer.accept([3])
    writer.accept([4, 5])
    assert spool.depth("numbers").items == 3
    assert writer.last_error == "away"
    target.away = False
    wait_until(lambda: not spool.depth("numbers").batches)
    writer.accept([6])
    assert target.items == [1, 2, 3, 4, 5, 6]
    assert writer.last_error == ""


def test_one_refused_item_does_not_hold_up_the_others(spool, draining):
    target = Target()
    target.poison = {13}
    writer = draining(BufferedWriter(target.sink(), spool, SystemClock()))
    writer.accept(list(range(10, 20)))
    wait_until(lambda: not spool.depth("numbers").batches)
    assert target.items == [10, 11, 12, 14, 15, 16, 17, 18, 19]
    assert target.refused == [(13, "no")]


def test_a_sink_that_refuses_everything_gets_it_later(spool, draining):
    target = Target()
    target.broken = True
    writer = draining(BufferedWriter(target.sink(), spool, SystemClock()))
    writer.accept(list(range(500)))
    wait_until(lambda: writer.last_error == "no")
    assert (target.refused, spool.depth("numbers").items) == ([], 500)
    target.broken = False
    wait_until(lambda: not spool.depth("numbers").batches)
    assert target.items == list(range(500))
    assert target.refused == []


def test_what_a_restarted_store_may_have_lost_is_sent_again(spool, draining):
    target = Target()
    writer = draining(BufferedWriter(target.sink(safe_after_s=3600), spool, SystemClock()))
    writer.accept([1])
    writer.accept([2, 3])
    wait_until(lambda: target.items == [1, 2, 3])
    target.items.clear()  # a crash
    target.started = 2.0
    wait_until(lambda: target.items == [1, 2, 3])
    assert spool.depth("numbers").batches == 0


def test_own_restart_sends_again_what_is_not_safe_yet(tmp_path):
    spool = Spool(tmp_path / "spool.db", 10)
    first = spool.append("numbers", b"1", 1, 0)
    spool.append("numbers", b"2", 1, 0)
    spool.sent("numbers", spool.head("numbers", 1), sent_s=1.0)
    spool.sent("numbers", spool.head("numbers", 1), sent_s=100.0)
    spool.forget_sent(50.0)
    BufferedWriter(Target().sink(safe_after_s=1), spool, SystemClock())
    (batch,) = spool.head("numbers", 10)
    assert (batch.body, batch.id > first) == (b"2", True)
    spool.close()


def message(mid, payload=b"24", *, dup=False):
    return Message("littoral/reed/ph", payload, 1, mid, 1, dup)


def test_journal_knows_second_deliveries_also_after_a_restart(tmp_path):
    spool = Spool(tmp_path / "spool.db", 10)
    journal = Journal(spool, 100)
    journal.add([(message(7), FirstDelivery(111, False)), (message(8), FirstDelivery(222, True))])
    journal.write()
    spool.close()
    spool = Spool(tmp_path / "spool.db", 10)
    journal = Journal(spool, 100)
    assert journal.first_delivery(message(7, dup=True)).arrival_us == 111
    assert journal.first_delivery(message(8, dup=True)) == (222, True)
    assert journal.first_delivery(message(7)) is None
    assert journal.first_delivery(message(7, b"25", dup=True)) is None
    assert journal.first_delivery(message(9, dup=True)) is None
    spool.close()


def test_journal_that_could_not_be_written_is_written_with_the_next(tmp_path, monkeypatch):
    spool = Spool(tmp_path / "spool.db", 10)
    journal = Journal(spool, 100)

    def full(*_):
        raise SpoolFullError("by this test")

    with monkeypatch.context() as patched:
        patched.setattr(spool, "write_journal", full)
        for mid in range(1, 301):
            journal.add([(message(mid), FirstDelivery(mid, False))])
            with pytest.raises(SpoolFullError):
                journal.write()
    journal.add([(message(301), FirstDelivery(301, False))])
    journal.write()
    spool.close()
    spool = Spool(tmp_path / "spool.db", 10)
    again = Journal(spool, 100)
    known = [mid for mid in range(1, 302) if again.first_delivery(message(mid, dup=True))]
    assert known == list(range(202, 302))
    spool.close()


def test_journal_is_bounded(tmp_path):
    spool = Spool(tmp_path / "spool.db", 10)
    journal = Journal(spool, 100)
    for mid in range(1, 1001):
        journal.add([(message(mid), FirstDelivery(mid, False))])
        if mid % 10 == 0:
            journal.write()
    assert 10 <= len(spool.journal()) <= 12
    spool.close()
