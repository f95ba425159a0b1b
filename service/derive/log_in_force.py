"""The log entries of a tank that count at a moment, and what of the registry is needed for it."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from datetime import datetime, timedelta
from typing import Final, Protocol

from service.registry.models.ingest import DeviceClock
from service.registry.models.log import LogEntry, LogKind
from service.registry.models.tank import Tank

LOG_DAYS: Final = 120
"""Log entries of so many days count; older ones only where none of their kind is newer."""

ALWAYS_KINDS: Final = (
    LogKind.KH_TEST,
    LogKind.CALIBRATION,
    LogKind.WATER_CHANGE,
    LogKind.CYLINDER,
)


class LogSource(Protocol):
    """What of the registry is needed."""

    def log_in_force(
        self, tank: str, since: datetime, lasting: Collection[LogKind]
    ) -> Sequence[LogEntry]:
        """The entries since a moment, and the newest earlier one of kinds that last."""
        ...

    def device_clocks(self, tank: str) -> Sequence[DeviceClock]:
        """The clocks of its devices that are off by a known constant."""
        ...

    def first_sensors(self, tank: str) -> Mapping[str, str]:
        """Quantity -> the sensor that was there first, as far as it is written down."""
        ...


def log_in_force(
    tank: Tank, registry: LogSource, start: datetime, end: datetime
) -> tuple[LogEntry, ...]:
    """The entries of the months before ``start`` up to ``end``, newest first.

    Of the kinds that stay in force (``ALWAYS_KINDS``) the newest one before that is included where
    there is none within.
    """
    first = start - timedelta(days=LOG_DAYS)
    found = registry.log_in_force(tank.id, first, ALWAYS_KINDS)
    entries = [entry for entry in found if first <= entry.time <= end]
    seen = {entry.kind for entry in entries}
    for entry in found:
        if entry.time < first and entry.kind in ALWAYS_KINDS and entry.kind not in seen:
            entries.append(entry)
            seen.add(entry.kind)
    return tuple(entries)
