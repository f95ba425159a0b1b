"""Two nodes as shipped: each is killed, and vmagent too, and each node has every reading after."""

from __future__ import annotations

import threading
import time
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import pytest

from ingest.deliver.committer import Committer
from ingest.deliver.spool import Spool
from ingest.process import Processed
from service.clock import SystemClock
from service.errors import StoreUnavailableError
from service.registry.registry import open_registry
from service.store import Reading, SeriesKey, Store, open_store
from service.times import to_us
from tests.servers import HOST, Victoriametrics, wait_until
from tests.store.two_nodes import TwoNodes


@pytest.fixture(scope="module")
def layout(tmp_path_factory: pytest.TempPathFactory) -> Iterator[TwoNodes]:
    """The servers, running; each test has a tank of its own."""
    made = TwoNodes(tmp_path_factory.mktemp("two-nodes"))
    try:
        made.start()
        yield made
    finally:
        made.stop()


@pytest.fixture
def store(layout: TwoNodes) -> Iterator[Store]:
    """The store of the shipped URL."""
    with closing(open_store(layout.url)) as opened:
        yield opened


class Boards:
    """Numbered readings through the ingester's committer; the numbers are their values."""

    def __init__(self, store: Store, folder: Path, key: SeriesKey) -> None:
        self._key = key
        spool = Spool(folder / "spool.db", 50.0)
        registry = open_registry(f"sqlite:///{folder}/registry.db")
        self.committer = Committer(
            store, registry, spool, SystemClock(), most_rejections=10, max_inflight=10
        )
        self.count = 0
        self.stop = threading.Event()
        self.thread = threading.Thread(target=self.committer.readings.drain, args=(self.stop,))
        self.thread.start()
        self._closed = (spool.close, registry.close)

    def send(self, count: int) -> None:
        """Commit so many more: each is then acknowledged to its board."""
        now_us = to_us(SystemClock().now())
        readings = [_reading(self._key, now_us + n * 1000, self.count + n) for n in range(count)]
        assert self.committer.commit(Processed(readings))
        self.count += count

    def close(self) -> None:
        """End."""
        self.stop.set()
        self.committer.readings.wake()
        self.thread.join()
        for close in self._closed:
            close()


@pytest.fixture
def key(request: pytest.FixtureRequest) -> SeriesKey:
    """The test's own series."""
    return SeriesKey(request.node.name[:40].replace("_", "-").strip("-"), "ph", "probe-1")


@pytest.fixture
def boards(store: Store, tmp_path: Path, key: SeriesKey) -> Iterator[Boards]:
    """Boards whose readings go into the store."""
    with closing(Boards(store, tmp_path, key)) as made:
        yield made


def _reading(key: SeriesKey, time_us: int, number: int) -> Reading:
    return Reading(key.tank, key.quantity, key.sensor, time_us, float(number))


def numbers_on(url: str, key: SeriesKey) -> set[int]:
    """The numbers that a reader finds who wrote nothing itself."""
    with closing(open_store(url)) as other:
        return {int(value) for value in other.read(key, 0, 1 << 62).value}


def wait_for(layout: TwoNodes, key: SeriesKey, servers: list[Victoriametrics], count: int) -> None:
    """Wait until nodes have all numbers."""

    def have_all() -> bool:
        time.sleep(0.2)  # to ask is work for the servers
        layout.show()
        return all(numbers_on(url_of(server), key) == set(range(count)) for server in servers)

    wait_until(have_all, 90.0, lambda: str([numbers_on(url_of(one), key) for one in servers]))


def url_of(server: Victoriametrics) -> str:
    """The store of one node alone."""
    return f"victoriametrics://{HOST}:{server.port}"


def test_a_tank_is_deleted_on_both_nodes(layout: TwoNodes, store: Store, key: SeriesKey) -> None:
    store.write([_reading(key, to_us(SystemClock().now()), 0)])
    wait_for(layout, key, layout.nodes, 1)
    store.delete_tank(key.tank)
    assert [numbers_on(url_of(server), key) for server in layout.nodes] == [set(), set()]


def test_what_a_killed_vmagent_had_in_memory_is_sent_again(
    layout: TwoNodes, store: Store, boards: Boards, key: SeriesKey
) -> None:
    # It says in whole seconds when it started, and is started again later than that second.
    wait_until(lambda: time.time() > store.health().numbers["started_s"] + 1)
    boards.send(5)
    wait_until(lambda: bool(boards.committer.readings.last_write))
    layout.relay.kill()
    layout.relay.start()
    wait_for(layout, key, layout.nodes, 5)


@pytest.mark.needs("vmagent")
def test_a_killed_node_leaves_no_question_unanswered_and_no_hole(
    layout: TwoNodes, store: Store, boards: Boards, key: SeriesKey
) -> None:
    first, second = layout.nodes
    boards.send(20)
    wait_for(layout, key, layout.nodes, 20)
    first.kill()  # what it had shown was in its memory alone
    boards.send(20)
    wait_for(layout, key, [second], 40)
    assert numbers_on(layout.url, key) == set(range(40))
    wait_until(lambda: store.health().numbers["servers_away"] == 1)
    health = store.health()
    assert health.reachable
    assert health.detail == f"no answer from http://{HOST}:{first.port}; the others go on"
    with pytest.raises(StoreUnavailableError, match="no answer"):
        store.delete_tank(key.tank)
    assert numbers_on(url_of(second), key) == set(range(40))
    first.start()
    wait_for(layout, key, layout.nodes, 40)
    wait_until(lambda: not store.health().numbers["servers_away"])
