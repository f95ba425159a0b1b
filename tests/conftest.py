"""Fixtures that every room may use: the real servers, started when a test first asks for them."""

from __future__ import annotations

import sys
import tempfile
from collections import Counter
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Final

import pytest
from hypothesis import settings
from xdist.remote import Producer
from xdist.scheduler import LoadFileScheduling

from tests import once
from tests.programs import refuse_unlisted
from tests.servers import Influxdb, Mosquitto, Postgresql, Server, Victoriametrics

sys.addaudithook(refuse_unlisted)
# An example that takes long says that the machine is loaded, not that the code is wrong.
settings.register_profile("any machine", deadline=None)
settings.load_profile("any machine")
once.keep()


APART: Final = ("tests/scenarios/test_replay.py::test_scenario[",)
"""Tests that go to whichever process is free, while the others of a file share its servers."""


class Apart(LoadFileScheduling):
    """As ``--dist loadfile``, but for the tests that are named in ``APART``."""

    def _split_scope(self, nodeid: str) -> str:
        """What goes to one process together (xdist's way to say so)."""
        return nodeid if nodeid.startswith(APART) else super()._split_scope(nodeid)


@pytest.hookimpl(optionalhook=True)
def pytest_xdist_make_scheduler(config: pytest.Config, log: Producer) -> Apart | None:
    """What ``--dist loadfile`` means here, in the order of ``pytest_collection_modifyitems``."""
    if config.getoption("dist") != "loadfile":
        return None
    config.option.loadscopereorder = False
    return Apart(config, log)


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Files with slow tests first, then those of many; last what fills the gaps at the end."""
    slow = Counter(item.path for item in items if item.get_closest_marker("slow"))
    count = Counter(item.path for item in items)
    apart = {item.path for item in items if item.nodeid.startswith(APART)}
    items.sort(key=lambda item: (item.path in apart, -slow[item.path], -count[item.path]))


def pytest_collection_finish() -> None:
    """From now on there is garbage."""
    once.collected()


def _running(server: Server) -> Iterator[Server]:
    server.start()
    try:
        yield server
    finally:
        server.stop()


@pytest.fixture(scope="module")
def mosquitto(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Server]:
    """A broker for one test module, since a broker keeps what was retained in it.

    Don't stop it: use ``start_mosquitto`` for that.
    """
    yield from _running(Mosquitto(tmp_path_factory.mktemp("mosquitto")))


@pytest.fixture(scope="session")
def influxdb(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Server]:
    """An InfluxDB 1.x for the whole session; use a database of your own."""
    yield from _running(Influxdb(tmp_path_factory.mktemp("influxdb")))


@pytest.fixture(scope="session")
def victoriametrics(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Server]:
    """A VictoriaMetrics for the whole session; use tank names of your own."""
    yield from _running(Victoriametrics(tmp_path_factory.mktemp("victoriametrics")))


@pytest.fixture(scope="session")
def postgresql() -> Iterator[Server]:
    """A PostgreSQL for the whole session with an empty database ``littoral``."""
    with tempfile.TemporaryDirectory(prefix="littoral-postgresql-") as folder:
        yield from _running(Postgresql(Path(folder)))


@pytest.fixture
def started() -> Iterator[Callable[[Server], Server]]:
    """Start a server of the test's own, which is stopped at the test's end."""
    servers: list[Server] = []

    def start(server: Server) -> Server:
        servers.append(server)
        server.start()
        return server

    yield start
    for server in servers:
        server.stop()


@pytest.fixture
def start_mosquitto(
    started: Callable[[Server], Server],
) -> Callable[[Path, str], Mosquitto]:
    """``start_mosquitto(tmp_path, extra_conf="")``: a broker that the test may stop and restart."""

    def start(folder: Path, extra_conf: str = "") -> Mosquitto:
        broker = Mosquitto(folder / "mosquitto", extra_conf)
        started(broker)
        return broker

    return start
