"""An invented tank with readings, and a clock that the test moves."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path

import pytest

from service.advice.engine.integration import Integration
from service.advice.engine.scheduler import Scheduler
from service.api.server import Server
from service.app.app_factory import create_app
from service.app.application import Application
from service.config import Config, HttpConfig
from service.registry.models.log import LogKind
from service.registry.registry import Registry
from service.store.model import Reading
from service.store.sqlite.store import SqliteStore
from tests.derive.pieces import NOON, a_tank, days_of, gassed
from tests.registries import sqlite_registry
from tests.stores import make_sqlite_store

MINUTE_US = 60_000_000


@dataclass
class SetClock:
    """A clock that a test sets."""

    moment: datetime = NOON

    def now(self) -> datetime:
        return self.moment


@dataclass
class Home:
    """A registry, a store and a clock, with the tank ``reed``."""

    registry: Registry
    store: SqliteStore
    clock: SetClock

    def scheduler(self, *integrations: Integration) -> Scheduler:
        return Scheduler(self.registry, self.store, self.clock, 60.0, integrations)

    def measure(self, tank: str, **values: float) -> None:
        """One reading of each quantity, now."""
        time_us = int(self.clock.moment.timestamp() * 1e6)
        self.store.write(
            [Reading(tank, quantity, "s", time_us, value) for quantity, value in values.items()]
        )


def two_days(store: SqliteStore) -> None:
    """Write the readings of a tank that is lit and gassed."""
    series = days_of(NOON, days=2, co2=lambda t: gassed(t, high=14.0))
    for quantity, one in series.items():
        pairs = zip(one.time_us.tolist(), one.value.tolist(), strict=True)
        store.write([Reading("reed", quantity, "s", at, value) for at, value in pairs])


@pytest.fixture
def home(tmp_path: Path) -> Iterator[Home]:
    """The tank ``reed`` at noon, lit and gassed, with two days of readings."""
    registry = sqlite_registry(tmp_path / "home.db")
    make_sqlite_store(tmp_path / "home-readings.db", two_days)
    store = SqliteStore.from_url(f"sqlite:///{tmp_path / 'home-readings.db'}")
    registry.put_tank(a_tank())
    registry.add_log("reed", LogKind.WATER_CHANGE, NOON - timedelta(days=3), {"fraction": 0.5})
    registry.add_log("reed", LogKind.CALIBRATION, NOON - timedelta(days=2), {"quantity": "ph"})
    yield Home(registry, store, SetClock())
    store.close()
    registry.close()


@contextmanager
def served(home: Home, config: Config) -> Iterator[str]:
    """A server with the tank ``reed``, evaluated once; its address. There is no token."""
    application = Application(config, home.clock, home.store, home.registry)
    home.scheduler(application.metrics).evaluate_all()
    server = Server(create_app(application), HttpConfig(port=0))
    thread = threading.Thread(target=server.run, args=(application.stopping,))
    thread.start()
    try:
        yield server.url
    finally:
        application.stopping.set()
        thread.join(60)
