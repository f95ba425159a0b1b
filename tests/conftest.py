"""Fixtures that every room may use: the real servers, started when a test first asks for them."""

from __future__ import annotations

import gc
import sys
import tempfile
from collections import Counter
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from hypothesis import settings

from tests.programs import refuse_unlisted
from tests.servers import Influxdb, Mosquitto, Postgresql, Server, Victoriametrics

sys.addaudithook(refuse_unlisted)
# An example that takes long says that the machine is loaded, not that the code is wrong.
settings.register_profile("any machine", deadline=None)
settings.load_profile("any machine")


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Files with slow tests first, then those of many: what begins last should not last long."""
    slow = Counter(item.path for item in items if item.get_closest_marker("slow"))
    count = Counter(item.path for item in items)
    items.sort(key=lambda item: (-slow[item.path], -count[item.path]))


def pytest_collection_finish() -> None:
    """Spare the garbage collector the modules and tests that were imported: they stay anyway."""
    gc.collect()
    gc.freeze()


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
