"""The buffered writer: straight to the sink, or over the spool while the sink is away."""

from __future__ import annotations

import math
import threading
import time
from dataclasses import replace

import pytest

from ingest.deliver import buffered_writer
from ingest.deliver.buffered_writer import BufferedWriter, Sink, SinkState
from ingest.deliver.spool import Spool
from service.clock import SystemClock
from service.errors import StoreRefusedError, StoreUnavailableError
from tests.servers import wait_until


@pytest.fixture
def spool(tmp_path):
    made = Spool(tmp_path / "spool.db", 64)
    yield made
    made.close()


class Target:
    """A sink that takes, refuses or is away as a test says."""

    def __init__(self):
        self.items = []
        self.away = False
        self.poison = set()
        self.broken = False
        self.started = 1.0
        self.unsaved_s = None
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
            lambda: SinkState(self.started, self.unsaved_s),
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
    wait_until(lambda: target.items == [1, 2, 3] and not spool.depth("numbers").batches)


def test_a_store_that_says_only_after_its_crash_when_it_started_gets_all_again(spool, draining):
    target = Target()
    target.started = None
    writer = draining(BufferedWriter(target.sink(safe_after_s=3600), spool, SystemClock()))
    writer.accept([1])
    wait_until(lambda: target.items == [1] and not spool.depth("numbers").batches)
    target.items.clear()
    target.started = 2.0
    writer.wake()
    wait_until(lambda: target.items == [1])


def test_an_idle_writer_says_that_its_store_is_away_until_it_is_back(spool, draining):
    target, away = Target(), True

    def state():
        if away:
            raise StoreUnavailableError("away")
        return SinkState(1.0)

    sink = replace(target.sink(safe_after_s=3600), state=state)
    writer = draining(BufferedWriter(sink, spool, SystemClock()))
    wait_until(lambda: writer.last_error == "away")
    away = False
    wait_until(lambda: writer.last_error == "")


def test_a_store_that_never_says_when_it_started_is_trusted_after_its_time(spool, monkeypatch):
    monkeypatch.setattr(buffered_writer, "_SAFE_MARGIN_S", 0.0)
    monkeypatch.setattr(buffered_writer, "_ASK_EVERY_S", 0.0)
    target, stop, looks = Target(), threading.Event(), []

    def state():
        """Nothing; sends at the first look, may forget at the second, and ends with the third."""
        looks.append(len(target.items))
        writer.wake()
        if len(looks) == 3:
            stop.set()
        return SinkState()

    sink = replace(target.sink(safe_after_s=1e-9), state=state)
    writer = BufferedWriter(sink, spool, SystemClock())
    writer.accept([1])
    writer.drain(stop)
    assert (target.items, looks) == ([1], [0, 1, 1])
    assert spool.send_again() == 0


def test_flush_waits_until_all_is_sent_and_no_longer_than_it_may(spool, draining):
    target = Target()
    sending = threading.Event()
    write = target.write
    target.write = lambda items: (sending.wait(), write(items))
    writer = draining(BufferedWriter(target.sink(safe_after_s=3600), spool, SystemClock()))
    writer.accept([1])
    began = time.monotonic()
    writer.flush(0.3)  # returns, though the sink is busy for as long as we like
    assert time.monotonic() - began >= 0.3
    assert spool.depth("numbers").batches == 1
    threading.Timer(0.2, sending.set).start()
    writer.flush(30)
    assert (target.items, spool.depth("numbers").batches) == ([1], 0)


def test_flush_does_not_wait_for_a_sink_that_is_away(spool):
    target = Target()
    target.away = True
    writer = BufferedWriter(target.sink(), spool, SystemClock())
    writer.accept([1])
    writer.flush(math.inf)  # would not return
    assert spool.depth("numbers").batches == 1


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


def test_what_the_store_says_is_saved_is_not_sent_again(spool, draining, monkeypatch):
    monkeypatch.setattr(buffered_writer, "_SAFE_MARGIN_S", 0.0)
    monkeypatch.setattr(buffered_writer, "_ASK_EVERY_S", 0.0)
    target = Target()
    target.unsaved_s = 3600.0
    writer = draining(BufferedWriter(target.sink(safe_after_s=7200), spool, SystemClock()))
    writer.accept([1])
    wait_until(lambda: target.items == [1] and not spool.depth("numbers").batches)
    target.unsaved_s = 0.0
    wait_until(lambda: writer.wake() or spool.send_again() == 0)


def test_sent_batches_give_way_to_new_ones_where_the_spool_is_full(tmp_path, draining):
    small = Spool(tmp_path / "small.db", 0.2)
    target = Target()
    writer = draining(BufferedWriter(target.sink(safe_after_s=3600), small, SystemClock()))
    items = list(range(10**9, 10**9 + 1000))
    for _ in range(60):
        writer.accept(items)
        wait_until(lambda: not small.depth("numbers").batches)
    assert len(target.items) == 60_000
    assert small.send_again() < 60
