"""Upkeep of the registry: what is old is deleted once a day."""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import Final

from service.advice.engine.history.ledger import Ledger
from service.clock import SystemClock
from service.registry.registry import Registry

PRUNE_EVERY: Final = timedelta(days=1)
EVENTS_STORED_FOR: Final = timedelta(days=30)
"""Events that nobody still waits for are stored for so long. Our choice."""
SESSIONS_STORED_FOR: Final = timedelta(days=90)
"""After their end. No session may be idle for longer (``[http] session_idle_hours``)."""


class Upkeep:
    """Deletes what is old, once a day."""

    def __init__(self, registry: Registry, ledger: Ledger, keep_audit: timedelta | None) -> None:
        """Nothing was deleted yet.

        Args:
            keep_audit: age, by the machine's clock, at which records of the audit are deleted;
                None: never.
        """
        self._registry = registry
        self._ledger = ledger
        self._keep_audit = keep_audit
        self._pruned: datetime | None = None

    def prune(self, now: datetime) -> None:
        """Delete what is old by now, where that was not done of late.

        Raises:
            LittoralError: the registry cannot be reached.
        """
        if self._pruned is not None and now - self._pruned < PRUNE_EVERY:
            return
        self._ledger.prune(now)
        self._registry.prune_events(now - EVENTS_STORED_FOR)
        self._registry.prune_sessions(now - SESSIONS_STORED_FOR)
        if self._keep_audit is not None:
            self._registry.prune_audit(SystemClock().now() - self._keep_audit)
        self._pruned = now
