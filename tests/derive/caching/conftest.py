"""What tests of cached views and of cached fits share."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from service.derive.caching import view_cache as module
from service.derive.caching.view_cache import ViewCache
from service.registry.registry import Registry
from tests.derive.caching.reed import Counting, fill
from tests.derive.pieces import a_tank
from tests.registries import sqlite_registry
from tests.stores import make_sqlite_store


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Counting]:
    make_sqlite_store(tmp_path / "readings.db", fill)
    store = Counting.from_url(f"sqlite:///{tmp_path / 'readings.db'}")
    assert isinstance(store, Counting)
    yield store
    store.close()


@pytest.fixture
def registry(tmp_path: Path) -> Iterator[Registry]:
    registry = sqlite_registry(tmp_path / "registry.db")
    registry.put_tank(a_tank())
    yield registry
    registry.close()


@pytest.fixture(params=["cached", "beyond the most tanks"])
def views(
    request: pytest.FixtureRequest,
    store: Counting,
    registry: Registry,
    monkeypatch: pytest.MonkeyPatch,
) -> ViewCache:
    """A cache that holds the means of the tank, and one that holds no means."""
    if request.param != "cached":
        monkeypatch.setattr(module, "MOST_TANKS", 0)
    return ViewCache(registry, store)
