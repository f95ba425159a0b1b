"""What the ingester knows of the registry, and how soon."""

from types import SimpleNamespace

import pytest

from ingest.process import reference_data
from ingest.process.reference_data import RECHECK_NEW_S, RECHECK_S, ReferenceData
from service.registry.models.tank import Tank
from tests.registries import sqlite_registry


@pytest.fixture
def clock(monkeypatch):
    made = SimpleNamespace(now_s=100.0)
    monkeypatch.setattr(reference_data, "time", SimpleNamespace(monotonic=lambda: made.now_s))
    return made


@pytest.fixture
def registry(tmp_path):
    opened = sqlite_registry(tmp_path / "registry.db")
    yield opened
    opened.close()


def test_a_tank_registered_a_moment_after_a_refresh_is_known_at_its_first_message(registry, clock):
    known = ReferenceData(registry)
    assert known.refresh()
    registry.put_tank(Tank("rush", "Rush"))
    clock.now_s += 1.01 * RECHECK_NEW_S
    assert "rush" in known


def test_a_tank_that_was_asked_for_in_vain_is_looked_for_again_after_a_second(registry, clock):
    known = ReferenceData(registry)
    assert "rush" not in known
    registry.put_tank(Tank("rush", "Rush"))
    clock.now_s += 0.99 * RECHECK_S
    assert "rush" not in known
    clock.now_s += 0.02 * RECHECK_S
    assert "rush" in known
