"""The interface of integrations: ways out to other programs and people."""

from __future__ import annotations

import logging
from collections.abc import Collection, Iterator
from contextlib import contextmanager
from typing import Protocol

from service.advice.engine.history.change_events import LedgerChange
from service.derive.models.tank_view import TankView

_log = logging.getLogger(__name__)


class Integration(Protocol):
    """A way out to another program.

    ``update`` must return at once: what is slow is queued by the integration itself.
    """

    name: str

    @property
    def mended(self) -> int:
        """What it published and others changed, and was published anew; 0 where nobody can."""
        ...

    def start(self) -> None:
        """Begin, without waiting for the other side."""
        ...

    def update(self, view: TankView, change: LedgerChange) -> None:
        """Take in one evaluation of a tank: what is known of it, and what changed."""
        ...

    def retain_only(self, tanks: frozenset[str]) -> None:
        """These are all tanks: withdraw what was published of others, in this run or before."""
        ...

    def release(self, tanks: Collection[str]) -> None:
        """Another process evaluates these now: leave what is published, publish nothing more."""
        ...

    def stop(self) -> None:
        """Hand over what is still queued, as far as it goes within seconds, and end."""
        ...


@contextmanager
def failure_logged(integration: Integration) -> Iterator[None]:
    """An integration that fails must hold up neither the others nor the loop."""
    try:
        yield
    except Exception:  # noqa: BLE001 - whatever it is, the others have to go on
        _log.exception("integration %s failed", integration.name)
