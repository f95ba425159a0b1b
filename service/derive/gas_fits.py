"""Gas exchange of every tank, fitted now and then: a fit takes a tenth of a second."""

from __future__ import annotations

import time
from datetime import datetime, timedelta
from typing import Final

from service.derive.models import GasModel
from service.derive.queries import gas_exchange
from service.registry.models import Tank
from service.registry.registry import Registry
from service.store.interface import Store

REFIT_AFTER: Final = timedelta(hours=24)
"""Exchange and injection drift over days, not hours. Our choice."""

BUDGET_S: Final = 2.0
"""Seconds of one look that fits may take; the other tanks have their turn at the next ones."""


class GasFits:
    """Fits kept in memory, renewed a few at a time."""

    def __init__(self) -> None:
        """Without any fit yet."""
        self._fits: dict[str, tuple[Tank, GasModel]] = {}
        self._deadline_s = 0.0

    def begin(self) -> None:
        """A new look begins, with a fresh budget."""
        self._deadline_s = time.monotonic() + BUDGET_S

    def of(self, tank: Tank, registry: Registry, store: Store, now: datetime) -> GasModel | None:
        """The gas exchange as last fitted; fitted now where it is due and the budget allows.

        Raises:
            StoreUnavailableError, StoreRefusedError, NotFoundError: as ``view_of``.
        """
        if not tank.co2_injected:
            return None
        known = self._fits.get(tank.id)
        if known is not None and known[0] == tank and now - known[1].fitted < REFIT_AFTER:
            return known[1]
        if time.monotonic() < self._deadline_s:
            self._fits[tank.id] = (tank, gas_exchange(tank, registry, store, now))
        found = self._fits.get(tank.id)
        return None if found is None else found[1]

    def forget(self, tank: str) -> None:
        """A tank is no longer watched."""
        self._fits.pop(tank, None)
