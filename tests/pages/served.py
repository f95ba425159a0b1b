"""A real server for the pages on a free port: waitress, SQLite, the demo's invented tanks."""

from __future__ import annotations

import threading
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from pathlib import Path

from demo.history import Past, register
from demo.scenario import Scenario
from demo.tanks import scenario
from service.advice.engine.catalogue import evaluate
from service.advice.engine.history.ledger import Ledger
from service.api.server import Server
from service.app.app_factory import create_app
from service.app.application import Application
from service.config import Config, HttpConfig, PicturesConfig
from service.derive.loader import load
from service.derive.tank_view import tank_view
from service.pictures.album import Album
from service.registry.registry import Registry
from service.store.sqlite.store import SqliteStore
from tests.registries import sqlite_registry

ORIGIN = datetime(2026, 4, 15, 13, 20, tzinfo=UTC)
"""Mid-photoperiod of an ordinary Wednesday of the invented scenario."""


@dataclass
class SetClock:
    """A clock that a test sets."""

    moment: datetime = ORIGIN

    def now(self) -> datetime:
        """The moment it was set to."""
        return self.moment


@dataclass
class Served:
    """A server and the parts behind it."""

    registry: Registry
    store: SqliteStore
    clock: SetClock
    http: HttpConfig
    config: Config = field(default_factory=Config)
    url: str = ""
    _ending: threading.Event = field(default_factory=threading.Event, repr=False)
    _thread: threading.Thread | None = field(default=None, repr=False)

    def start(self) -> None:
        """Answer; after ``hang_up`` at the same address."""
        self._ending = threading.Event()
        config = replace(self.config, http=self.http)
        application = Application(config, self.clock, self.store, self.registry, self._ending)
        server = Server(create_app(application), self.http)
        self.http = replace(self.http, port=server.port)
        self.url = server.url
        self._thread = threading.Thread(target=server.run, args=(self._ending,))
        self._thread.start()

    @property
    def album(self) -> Album:
        """Its pictures, as another process of the same registry has them."""
        return Album(self.config, self.registry)

    def hang_up(self) -> None:
        """Answer no more."""
        self._ending.set()
        if self._thread is not None:
            self._thread.join(60)
        self._thread = None

    def stop(self) -> None:
        """End for good."""
        self.hang_up()
        self.store.close()
        self.registry.close()

    def look(self) -> None:
        """Evaluate the rules of every tank now, as the watch does."""
        ledger = Ledger(self.registry)
        for tank in self.registry.tanks():
            view = tank_view(load(tank, self.registry, self.store, self.clock.now()))
            ledger.update(view, evaluate(view, ledger.active([tank.id], view.now)[tank.id]))


def serve(folder: Path, *, config: Config | None = None, **limits: int) -> Served:
    """Start a server on an empty store and an empty registry; limits as ``HttpConfig``."""
    served = Served(
        sqlite_registry(folder / "registry.db"),
        SqliteStore(folder / "readings.db"),
        SetClock(),
        HttpConfig(port=0, **limits),
        replace(config or Config(), pictures=PicturesConfig(str(folder / "pictures"))),
    )
    served.start()
    return served


def fill(served: Served, days: int) -> Scenario:
    """Lay in the demo's tanks with so many days of readings, and evaluate the rules."""
    made = scenario(served.clock.moment)
    register(made, served.registry)
    Past(made, days, seed=5).lay_in(served.store, lambda done: None)
    served.look()
    return made
