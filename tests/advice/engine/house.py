"""A tank with readings, and the scheduler that evaluates it."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta

from service.advice.engine.scheduler import Scheduler
from service.registry.registry import Registry
from service.store.model import Reading
from service.store.sqlite.store import SqliteStore
from tests.derive.pieces import NOON, days_of, gassed

HOUR = timedelta(hours=1)


@dataclass
class StepClock:
    """A clock that the test moves."""

    moment: datetime = NOON

    def now(self) -> datetime:
        return self.moment


@dataclass
class House:
    registry: Registry
    store: SqliteStore
    clock: StepClock


def three_days(store: SqliteStore) -> None:
    series = days_of(NOON, days=3, co2=lambda t: gassed(t, high=14.0))
    for quantity, one in series.items():
        pairs = zip(one.time_us.tolist(), one.value.tolist(), strict=True)
        store.write([Reading("reed", quantity, "s", at, value) for at, value in pairs])


def scheduler(house: House) -> Scheduler:
    return Scheduler(house.registry, house.store, house.clock, 60.0)
