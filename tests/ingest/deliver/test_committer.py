"""The committer: a batch is safe as a whole, or nothing of it may be acknowledged."""

from __future__ import annotations

import threading

import pytest

from ingest.decode.message import ClockState, FirstDelivery, Message
from ingest.deliver import buffered_writer
from ingest.deliver.committer import Committer
from ingest.deliver.spool import Spool
from ingest.deliver.spool_connection import SpoolFullError
from ingest.process import Processed
from service.clock import SystemClock
from service.errors import StoreUnavailableError
from service.store import Reading, SeriesKey, open_store
from service.store.model import StoreHealth
from tests.ingest.load import AwayStore
from tests.registries import sqlite_registry
from tests.servers import wait_until

READING = Reading("reed", "ph", "main", 1_700_000_000_000_000, 6.6)
MESSAGE = Message("littoral/reed/ph", b"6.6", READING.time_us, 7, 1)
BATCH = Processed(
    [READING], [], [READING], [(MESSAGE, FirstDelivery(READING.time_us, ClockState.RIGHT))]
)
AGAIN = MESSAGE._replace(dup=True, arrival_us=READING.time_us + 5)


class WatchedStore(AwayStore):
    """A store that calls back before it writes."""

    before_write = staticmethod(lambda: None)

    def write(self, readings):
        self.before_write()
        super().write(readings)


class ForgetfulStore(AwayStore):
    """A store that loses in a crash what it took last, and says when it started."""

    durable_after_s = 0.001

    def __init__(self, real):
        super().__init__(real)
        self.started_s = 1.0
        self.asked_while_away = 0
        self.crash_after_write = False

    def write(self, readings):
        super().write(readings)
        if self.crash_after_write:
            self.away = True

    def health(self):
        self.asked_while_away += self.away
        numbers = {} if self.away else {"started_s": self.started_s}
        return StoreHealth(not self.away, "by this test", "no answer" * self.away, numbers)


@pytest.fixture
def store(tmp_path):
    store = WatchedStore(open_store(f"sqlite:///{tmp_path}/readings.db"))
    yield store
    store.close()


@pytest.fixture
def spool(tmp_path):
    spool = Spool(tmp_path / "spool.db", 10)
    yield spool
    spool.close()


@pytest.fixture
def committer(tmp_path, store, spool):
    registry = sqlite_registry(tmp_path / "registry.db")
    yield Committer(store, registry, spool, SystemClock(), most_rejections=10, max_inflight=10)
    registry.close()


def full(*_, **__):
    raise SpoolFullError("full (by this test)")


def test_a_committed_batch_is_stored_and_its_messages_are_journalled(committer, store):
    assert committer.first_delivery(AGAIN) is None
    assert committer.commit(BATCH)
    assert store.latest(SeriesKey("reed", "ph", "main")) == READING
    assert committer.first_delivery(AGAIN) == FirstDelivery(READING.time_us, ClockState.RIGHT)
    assert (committer.readings.accepted, committer.errors) == (1, ())


def test_the_journal_is_written_before_the_readings(committer, store, spool):
    seen = []
    store.before_write = lambda: seen.append(len(spool.entries("journal")))
    committer.commit(BATCH)
    assert seen == [1]


def test_without_store_and_spool_it_stalls_until_there_is_room(
    committer, store, spool, monkeypatch
):
    store.away = True
    real = spool.append
    monkeypatch.setattr(spool, "append", full)
    done = []
    thread = threading.Thread(target=lambda: done.append(committer.commit(BATCH)))
    thread.start()
    wait_until(lambda: committer.is_stalled)
    assert "full (by this test)" in committer.errors
    assert committer.readings.accepted == 0
    monkeypatch.setattr(spool, "append", real)
    thread.join(60)
    assert (done, committer.is_stalled) == ([True], False)
    assert spool.depth("readings").items == 1


def test_giving_up_while_it_stalls_commits_nothing(committer, store, spool, monkeypatch):
    store.away = True
    monkeypatch.setattr(spool, "append", full)
    committer.give_up()
    assert not committer.commit(BATCH)
    assert committer.readings.accepted == 0


def test_readings_are_accepted_once_though_the_rejections_wait(committer, store, monkeypatch):
    real, attempts = committer.rejections.accept, []

    def accept(items):
        attempts.append(items)
        if len(attempts) < 3:
            raise SpoolFullError("full (by this test)")
        real(items)

    monkeypatch.setattr(committer.rejections, "accept", accept)
    assert committer.commit(BATCH)
    assert (len(attempts), committer.readings.accepted) == (3, 1)


def test_a_journal_that_cannot_be_written_is_reported_and_holds_up_nothing(
    committer, store, spool, monkeypatch
):
    monkeypatch.setattr(spool, "write_entries", full)
    assert committer.commit(BATCH)
    assert committer.errors == ("full (by this test)",)
    assert store.latest(SeriesKey("reed", "ph", "main")) == READING


def test_store_away_is_an_error_of_its_own(committer, store):
    store.away = True
    assert committer.commit(BATCH)
    assert "away" in committer.errors[0]
    with pytest.raises(StoreUnavailableError):
        store.write([READING])


@pytest.mark.parametrize("started_s", [2.0, 1.0], ids=["later", "in the same second"])
def test_what_a_crash_took_is_sent_again_however_long_the_store_was_away(
    tmp_path, spool, monkeypatch, started_s
):
    """A batch is no safer by its age while nobody knows whether the store is still running."""
    monkeypatch.setattr(buffered_writer, "_SAFE_MARGIN_S", 0.0)
    store = ForgetfulStore(open_store(f"sqlite:///{tmp_path}/readings.db"))
    registry = sqlite_registry(tmp_path / "registry.db")
    committer = Committer(
        store, registry, spool, SystemClock(), most_rejections=10, max_inflight=10
    )
    stop = threading.Event()
    draining = threading.Thread(target=committer.readings.drain, args=(stop,))
    store.crash_after_write = True
    draining.start()
    try:
        committer.commit(BATCH)
        wait_until(lambda: committer.readings.wake() or store.asked_while_away >= 2)
        store.delete_tank("reed")  # the crash took it
        store.crash_after_write, store.started_s, store.away = False, started_s, False
        wait_until(lambda: store.latest(SeriesKey("reed", "ph", "main")) == READING)
    finally:
        stop.set()
        committer.readings.wake()
        draining.join(60)
        registry.close()
        store.close()
