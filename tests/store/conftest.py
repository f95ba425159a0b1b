"""The backends that the contract suite runs against, each on the real thing."""

from __future__ import annotations

import uuid
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from service.store import Store, open_store

BACKENDS = ("sqlite", "influx")


@pytest.fixture(params=BACKENDS)
def backend(request: pytest.FixtureRequest) -> str:
    """The name of the backend under test."""
    return str(request.param)


@pytest.fixture
def store_url(backend: str, tmp_path: Path, request: pytest.FixtureRequest) -> str:
    """The URL of an empty store of that backend."""
    if backend == "sqlite":
        return f"sqlite:///{tmp_path}/var/readings.db"
    server = request.getfixturevalue("influxdb")
    return f"influx://127.0.0.1:{server.port}/{uuid.uuid4().hex}"


@pytest.fixture
def opened(store_url: str) -> Iterator[Callable[[], Store]]:
    """Open the same store again, as another process would; closed at the test's end."""
    stores: list[Store] = []

    def opener() -> Store:
        stores.append(open_store(store_url))
        return stores[-1]

    yield opener
    for store in stores:
        store.close()


@pytest.fixture
def store(opened: Callable[[], Store]) -> Store:
    """An empty store of the backend under test."""
    return opened()
