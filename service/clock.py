"""What time it is: the system's UTC clock, or a faster one for demo and replay."""

from __future__ import annotations

import time
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Protocol


class Clock(Protocol):
    """Anything that tells the present moment in UTC."""

    def now(self) -> datetime:
        """The present moment, aware, UTC."""
        ...


class SystemClock:
    """The machine's own clock."""

    def now(self) -> datetime:
        """The present moment, aware, UTC."""
        return datetime.now(UTC)


@dataclass(frozen=True, slots=True)
class FixedClock:
    """A clock that stands still; for replay and tests."""

    moment: datetime

    def now(self) -> datetime:
        """The moment it was set to."""
        return self.moment


@dataclass(frozen=True, slots=True)
class FastClock:
    """A clock that runs ``speed`` times as fast as the machine's, from ``origin``; demo only.

    Attributes:
        started: machine time (UTC) at which the fast clock showed ``origin``.
        origin: the moment shown at ``started``.
        speed: seconds shown per machine second, above 0.
    """

    started: datetime
    origin: datetime
    speed: float

    def now(self) -> datetime:
        """The moment shown."""
        elapsed_s = time.time() - self.started.timestamp()
        return self.origin + timedelta(seconds=elapsed_s * self.speed)
