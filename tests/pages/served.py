"""A real server for the pages on a free port: waitress, SQLite, the demo's invented tanks."""

from __future__ import annotations

import threading
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path

from demo.history import Past, register
from demo.scenario import Scenario
from demo.tanks import scenario
from service.advice.ledger import Ledger
from service.advice.rules import evaluate
from service.api.context import Context
from service.api.server import Server
from service.cli.web import web_app
from service.config import Config, HttpConfig
from service.derive.build import view_of
from service.store.sqlite import SqliteStore
from service.tanks.registry import Registry, open_registry

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
    """A running server and the parts behind it."""

    url: str
    registry: Registry
    store: SqliteStore
    clock: SetClock
    stop: Callable[[], None] = field(repr=False)

    def look(self) -> None:
        """Evaluate the rules of every tank now, as the watch does."""
        ledger = Ledger(self.registry)
        for tank in self.registry.tanks():
            view = view_of(tank, self.registry, self.store, self.clock.now())
            ledger.update(view, evaluate(view, ledger.standing([tank.id], view.now)[tank.id]))


def serve(folder: Path) -> Served:
    """Start a server on an empty store and an empty registry."""
    registry = open_registry(f"sqlite:///{folder / 'registry.db'}")
    store = SqliteStore(folder / "readings.db")
    clock = SetClock()
    server = Server(web_app(Context(store, registry, clock, Config())), HttpConfig(port=0))
    ending = threading.Event()
    thread = threading.Thread(target=server.run, args=(ending,))
    thread.start()

    def stop() -> None:
        ending.set()
        thread.join(20)
        store.close()
        registry.close()

    return Served(server.url, registry, store, clock, stop)


def fill(served: Served, days: int) -> Scenario:
    """Lay in the demo's tanks with so many days of readings, and evaluate the rules."""
    made = scenario(served.clock.moment)
    register(made, served.registry)
    Past(made, days, seed=5).lay_in(served.store, lambda done: None)
    served.look()
    return made
