"""CO2 now is never older than what another process has written."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path

import pytest

from service.derive.co2.current import co2_now
from service.derive.loader import load
from service.derive.models.co2 import Co2Now
from service.registry.registry import Registry, open_registry
from service.store import Reading, Store, open_store
from service.times import to_us
from tests.another_process import AnotherProcess
from tests.derive.pieces import NOON, a_tank
from tests.registries import postgresql_registry
from tests.servers import Postgresql

_PREPARED = """
from dataclasses import replace
from datetime import timedelta
from service.times import to_us
from service.store import Reading, open_store
from service.registry.registry import open_registry
from service.registry.models.log import LogKind
from tests.derive.pieces import NOON, a_tank
store, registry = open_store(sys.argv[1]), open_registry(sys.argv[2])
def read(quantity, value, seconds):
    at = to_us(NOON - timedelta(seconds=seconds))
    store.write([Reading("reed", quantity, f"{quantity}-1", at, value)])
def log(kind, **data):
    registry.add_log("reed", LogKind(kind), NOON - timedelta(minutes=1), data)
"""


@pytest.fixture(params=["sqlite", "postgresql"])
def parts(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[tuple[str, str]]:
    """URLs of a store and a registry that hold the tank and its first readings."""
    if request.param == "sqlite":
        registry_url = f"sqlite:///{tmp_path}/registry.db"
        registry = open_registry(registry_url)
    else:
        server: Postgresql = request.getfixturevalue("postgresql")
        registry_url, registry = server.url, postgresql_registry(server)
    store_url = f"sqlite:///{tmp_path}/readings.db"
    store = open_store(store_url)
    registry.put_tank(a_tank())
    at = to_us(NOON - timedelta(minutes=5))
    store.write(
        [
            Reading("reed", "ph", "ph-1", at, 6.6),
            Reading("reed", "temperature", "temperature-1", at, 24.0),
        ]
    )
    yield store_url, registry_url
    store.close()
    registry.close()


def now_of(registry: Registry, store: Store) -> Co2Now:
    """As ``GET /co2`` asks."""
    return co2_now(load(registry.tank("reed"), registry, store, NOON, days=0))


def test_what_another_process_writes_counts_at_once(parts: tuple[str, str]) -> None:
    store, registry = open_store(parts[0]), open_registry(parts[1])
    other = AnotherProcess(_PREPARED, *parts)
    seen = [now_of(registry, store)]

    def after(line: str) -> Co2Now:
        other.does(line)
        seen.append(now_of(registry, store))
        return seen[-1]

    ph = after("read('ph', 6.8, 30)").ph
    assert ph is not None and ph.value == 6.8
    warmth = after("read('temperature', 26.5, 30)").temperature
    assert warmth is not None and warmth.value == 26.5
    assert after("read('ph', 6.7, 30)").ph.value == 6.7  # the same time again: replaced
    kh = after("log('kh-test', kh_meq_l=2.0)").kh
    assert kh is not None and kh.meq_l == 2.0
    calibrated = after("log('calibration', quantity='ph')")
    assert not any("no calibration" in reason for reason in calibrated.reasons)
    again = after("registry.delete_log(registry.log('reed', kinds=['calibration'])[0].id)")
    assert any("no calibration" in reason for reason in again.reasons)
    target = after("registry.put_tank(replace(a_tank(), co2_injected=False))").target_low_mg_l
    assert target == 0.0
    # Each change moved the value; a cached one would come back.
    values = [one.co2.value for one in seen[:5] if one.co2 is not None]
    assert len(set(values)) == 5
    other.end()
    store.close()
    registry.close()
