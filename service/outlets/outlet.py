"""What every way out has in common."""

from __future__ import annotations

from datetime import datetime
from typing import Protocol

from service.advice.bookkeeping import LedgerChange


class Outlet(Protocol):
    """A way out to another program.

    ``tell`` must return at once: what is slow is queued by the outlet itself.
    """

    name: str

    def start(self) -> None:
        """Begin, without waiting for the other side."""
        ...

    def tell(self, tank: str, change: LedgerChange, now: datetime) -> None:
        """Take in what one look at a tank changed."""
        ...

    def forget(self, tank: str) -> None:
        """A tank is no longer watched: withdraw what was said of it."""
        ...

    def stop(self) -> None:
        """Hand over what is still queued, as far as it goes within seconds, and end."""
        ...
