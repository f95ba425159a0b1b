"""What every way out has in common."""

from __future__ import annotations

from typing import Protocol

from service.advice.engine.change_events import LedgerChange
from service.derive.models import TankView


class Outlet(Protocol):
    """A way out to another program.

    ``see`` must return at once: what is slow is queued by the outlet itself.
    """

    name: str

    def start(self) -> None:
        """Begin, without waiting for the other side."""
        ...

    def see(self, view: TankView, change: LedgerChange) -> None:
        """Take in one look at a tank: what is known of it, and what that changed."""
        ...

    def forget(self, tank: str) -> None:
        """A tank is no longer watched: withdraw what was said of it."""
        ...

    def stop(self) -> None:
        """Hand over what is still queued, as far as it goes within seconds, and end."""
        ...
