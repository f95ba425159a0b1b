"""The backends that the contract suite runs against, each on the real thing."""

from __future__ import annotations

import uuid
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import Any

import pytest
import requests

from service.store import Reading, Store, StoreHealth, open_store
from service.store.sqlite.store import SqliteStore
from tests.servers import HOST
from tests.store.month import fill
from tests.stores import make_sqlite_store

#: ``-shown``: another store writes, and each write is made visible on the server before the test
#: goes on, so that every read is answered by the server.
BACKENDS = ("sqlite", "influx", "victoriametrics", "victoriametrics-shown")


@pytest.fixture(params=BACKENDS)
def variant(request: pytest.FixtureRequest) -> str:
    """The backend under test and how it is used."""
    return str(request.param)


@pytest.fixture
def backend(variant: str) -> str:
    """The name of the backend under test."""
    return variant.partition("-")[0]


@pytest.fixture
def store_url(backend: str, tmp_path: Path, request: pytest.FixtureRequest) -> str:
    """The URL of an empty store of that backend."""
    if backend == "sqlite":
        return f"sqlite:///{tmp_path}/var/readings.db"
    if backend == "influx":
        server = request.getfixturevalue("influxdb")
        return f"influx://{HOST}:{server.port}/{uuid.uuid4().hex}"
    server = request.getfixturevalue("victoriametrics")
    show_on(server.url)
    requests.post(
        f"{server.url}/api/v1/admin/tsdb/delete_series", data={"match[]": '{tank!=""}'}, timeout=10
    )
    return f"victoriametrics://{HOST}:{server.port}"


def show_on(url: str) -> None:
    """Make all that VictoriaMetrics has accepted visible now."""
    requests.get(f"{url}/internal/force_flush", timeout=60).raise_for_status()


class Shown:
    """A VictoriaMetrics store whose reads are answered by the server: another store writes.

    Its health is that of the store that wrote.
    """

    def __init__(self, store: Any, open_another: Callable[[], Store], url: str) -> None:
        self._store = self._writer = store
        self._open_another = open_another
        self._url = url

    def health(self) -> StoreHealth:
        """The health as the store that wrote last knows it."""
        return self._writer.health()

    def __getattr__(self, name: str) -> Any:
        return getattr(self._store, name)

    def write(self, readings: Sequence[Reading]) -> None:
        """Write as another process, and make it visible."""
        self._writer = self._open_another()
        self._writer.write(readings)
        show_on(self._url.replace("victoriametrics", "http"))


@pytest.fixture
def opened(store_url: str, variant: str) -> Iterator[Callable[[], Store]]:
    """Open the same store again, as another process would; closed at the test's end."""
    stores: list[Store] = []

    def open_one() -> Store:
        stores.append(open_store(store_url))
        return stores[-1]

    def opener() -> Store:
        store = open_one()
        return Shown(store, open_one, store_url) if variant.endswith("-shown") else store

    yield opener
    for store in stores:
        store.close()


@pytest.fixture
def store(opened: Callable[[], Store]) -> Store:
    """An empty store of the backend under test."""
    return opened()


@pytest.fixture
def month(tmp_path: Path) -> Iterator[SqliteStore]:
    """A SQLite store with the readings of ``tests.store.month`` in it."""
    make_sqlite_store(tmp_path / "readings.db", fill)
    store = SqliteStore(tmp_path / "readings.db")
    yield store
    store.close()
