"""The store that is filled, exported and copied."""

from __future__ import annotations

import pytest

from service.store.sqlite.store import SqliteStore


@pytest.fixture
def store(tmp_path):
    store = SqliteStore(tmp_path / "readings.db")
    yield store
    store.close()
