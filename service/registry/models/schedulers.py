"""The schedulers that share one registry, and who of them holds which lease."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Final

SCHEDULER_STATUS: Final = "advice:scheduler"
"""Name of the status of a scheduler that shares the tanks with none."""
SHARING_STATUS: Final = f"{SCHEDULER_STATUS}:"
"""Begins the names of the status of those that may share them; the scheduler's id follows."""


def status_name(id: str) -> str:
    """Name of a scheduler's status; ``id`` is "" for one that shares the tanks with none."""
    return f"{SHARING_STATUS}{id}" if id else SCHEDULER_STATUS


@dataclass(frozen=True, slots=True)
class SchedulerProcess:
    """One scheduler, as the registry knows it.

    Attributes:
        id: of this run of it.
        name: for people: ``[mqtt] client_id``.
        process: which process it is, as ``process_identity`` says.
        lease_s: its leases may be taken over when its beat has not changed for so long.
        published: what it publishes over MQTT, as documents.
        beat: rises while it runs and is not alone.
        since: when it joined, by its machine's clock.
    """

    id: str
    name: str
    process: str
    lease_s: float
    published: tuple[Mapping[str, Any], ...] = ()
    beat: int = 0
    since: datetime | None = None


@dataclass(frozen=True, slots=True)
class Lease:
    """Who holds a lease.

    Attributes:
        holder: id of a scheduler; "" while it is free.
        token: higher each time that it is taken.
    """

    holder: str
    token: int


@dataclass(frozen=True, slots=True)
class Membership:
    """All schedulers and leases of one moment."""

    schedulers: Mapping[str, SchedulerProcess]
    leases: Mapping[str, Lease]

    def tokens_of(self, id: str) -> dict[str, int]:
        """The leases that a scheduler holds, with their tokens."""
        return {name: one.token for name, one in self.leases.items() if one.holder == id}
