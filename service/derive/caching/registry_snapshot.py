"""What the registry has of many tanks at one moment, asked in few questions."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from service.derive.log_in_force import ALWAYS_KINDS, LOG_DAYS
from service.registry.models.ingest import DeviceClock
from service.registry.models.log import LogEntry, LogKind
from service.registry.registry import Registry
from service.registry.repositories.log.in_force import LogInForce


@dataclass(frozen=True, slots=True)
class RegistrySnapshot:
    """Serves ``loader.load`` for some tanks; what it does not hold is asked of the registry.

    Attributes:
        logs, clocks, first: by tank.
    """

    registry: Registry
    logs: Mapping[str, LogInForce]
    clocks: Mapping[str, Sequence[DeviceClock]]
    first: Mapping[str, Mapping[str, str]]

    @classmethod
    def of(
        cls,
        registry: Registry,
        tanks: Collection[str],
        now: datetime,
        known: Mapping[str, LogInForce],
    ) -> RegistrySnapshot:
        """What is needed of some tanks for views at a moment.

        Args:
            known: their logs as read before; read again only where the rows are not the same.
        """
        since = now - timedelta(days=LOG_DAYS)
        logs = registry.logs_in_force(tanks, since, ALWAYS_KINDS, known)
        clocks, first = registry.device_clocks_of(tanks), registry.first_sensors_of(tanks)
        return cls(registry, logs, clocks, first)

    def log_in_force(
        self, tank: str, since: datetime, lasting: Collection[LogKind]
    ) -> Sequence[LogEntry]:
        """As ``Registry.log_in_force``."""
        found = self.logs.get(tank)
        same_day = found is not None and found.since <= since < found.since + timedelta(days=1)
        if found is None or not same_day or tuple(lasting) != ALWAYS_KINDS:
            return self.registry.log_in_force(tank, since, lasting)
        return found.entries

    def device_clocks(self, tank: str) -> Sequence[DeviceClock]:
        """As ``Registry.device_clocks``."""
        return self.clocks.get(tank, ())

    def first_sensors(self, tank: str) -> Mapping[str, str]:
        """As ``Registry.first_sensors``."""
        return self.first.get(tank, {})
