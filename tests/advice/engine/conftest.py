"""What several files of tests of the engine share."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from service.registry.models.log import LogKind
from service.store.sqlite.store import SqliteStore
from tests.advice.engine.house import HOUR, House, StepClock, three_days
from tests.derive.pieces import NOON, a_tank
from tests.registries import sqlite_registry
from tests.stores import make_sqlite_store


@pytest.fixture
def house(tmp_path: Path) -> Iterator[House]:
    """A tank with too little CO2 and an empty log; three days of readings."""
    registry = sqlite_registry(tmp_path / "registry.db")
    make_sqlite_store(tmp_path / "readings.db", three_days)
    store = SqliteStore.from_url(f"sqlite:///{tmp_path / 'readings.db'}")
    registry.put_tank(a_tank())
    registry.add_log("reed", LogKind.WATER_CHANGE, NOON - 3 * 24 * HOUR, {"fraction": 0.5})
    yield House(registry, store, StepClock())
    store.close()
    registry.close()
