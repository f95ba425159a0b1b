"""The shape of a demo scenario: tanks, what happened to them, and how their sensors speak.

Everything is told relative to the moment at which the demo's clock starts, so the demo is the
same on any day and at any hour.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime, time, timedelta
from typing import Any

from demo.model import Event, TankModel, WaterChange
from demo.wire import Wire
from service.config import RouteConfig
from service.registry.models.log import LogKind
from service.registry.models.nothing import NOTHING
from service.registry.models.tank import Tank
from service.store.model import SeriesKey

WEEK_DAYS = 7
LOG_DAYS = 35
"""The log reaches further back than the readings, as a real one would."""


@dataclass(frozen=True, slots=True)
class Noted:
    """One line of a tank's log, not yet in the registry."""

    kind: LogKind
    time: datetime
    data: Mapping[str, Any] = field(default_factory=lambda: NOTHING)
    note: str = ""
    by: str = "keeper"


@dataclass(frozen=True, slots=True)
class DemoTank:
    """An invented tank.

    Attributes:
        tank: as registered.
        model: its physics and its sensors.
        log: what people did, in any order.
        wires: sensor's series -> how it is published.
        routes: what the configuration must say to understand its boards.
    """

    tank: Tank
    model: TankModel
    log: tuple[Noted, ...]
    wires: Mapping[SeriesKey, Wire]
    routes: tuple[RouteConfig, ...] = ()


@dataclass(frozen=True, slots=True)
class Scenario:
    """All tanks of a demo and the moment at which its clock starts (UTC)."""

    origin: datetime
    tanks: tuple[DemoTank, ...]

    @property
    def routes(self) -> tuple[RouteConfig, ...]:
        """The routes of all tanks."""
        return tuple(route for one in self.tanks for route in one.routes)


@dataclass(frozen=True, slots=True)
class Almanac:
    """Moments relative to the day on which the demo starts."""

    origin: datetime

    def ago(self, days: int, hour: int, minute: int = 0) -> datetime:
        """A time of day, UTC, so many days before the day of the origin."""
        day = self.origin.date() - timedelta(days=days)
        return datetime.combine(day, time(hour, minute), UTC)

    def weekly(self, days: int, hour: int, minute: int = 0) -> Iterator[datetime]:
        """The same, and every week before that as far as the log reaches; newest first."""
        for back in range(days, LOG_DAYS, WEEK_DAYS):
            yield self.ago(back, hour, minute)


def latest_at(now: datetime, start: time) -> datetime:
    """The latest moment not after ``now`` at which it was ``start`` o'clock, UTC."""
    today = datetime.combine(now.astimezone(UTC).date(), start, UTC)
    return today if today <= now else today - timedelta(days=1)


def changes_of(log: tuple[Noted, ...], tank: Tank) -> tuple[Event, ...]:
    """The physical side of the water changes in a log."""
    tap = tank.water_change
    return tuple(
        WaterChange(
            noted.time.timestamp(),
            float(noted.data["fraction"]),
            temperature_c=tap.tap_temperature_c,
            alkalinity_meq_l=tap.tap_kh_meq_l,
        )
        for noted in log
        if noted.kind is LogKind.WATER_CHANGE
    )
