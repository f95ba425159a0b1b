"""Writes the ingester's status into the registry: what matters at once, what it counts rarely.

Each write is a transaction that waits for the disk, and wears a memory card: one each two seconds
would be 350 MB a day.
"""

from __future__ import annotations

import logging
import time
from collections.abc import Callable, Mapping
from typing import Any, Final

from service.errors import LittoralError
from service.registry.registry import Registry

_log = logging.getLogger(__name__)
#: How often it is written while nothing but times and counts changes, s.
COUNTS_EVERY_S: Final = 60.0
#: Messages by which the number that waits must change to be written at once.
_WAITING: Final = 1000
#: Members that change with every message.
_COUNTS: Final = frozenset(
    ("time", "received", "acknowledged", "waiting", "stored", "last_write", "last_commit")
)

#: Of these the first one matters: somebody who sets up a sensor waits for it.
_BEGUN: Final = ("received", "stored", "last_write")


class StatusReport:
    """The status row of one ingester; used by one thread."""

    def __init__(
        self,
        name: str,
        registry: Registry,
        every_s: float | None = None,
        clock_s: Callable[[], float] = time.monotonic,
    ) -> None:
        """Prepare; nothing is written yet.

        Args:
            every_s: in place of ``COUNTS_EVERY_S``.
        """
        self._name = name
        self._registry = registry
        self._every_s = COUNTS_EVERY_S if every_s is None else every_s
        self._clock_s = clock_s
        self._written: Mapping[str, Any] = {}
        self._written_s = float("-inf")

    def put(self, status: Mapping[str, Any], *, last: bool = False) -> None:
        """Write a status if it says something new, or the last one is old.

        Args:
            last: write it whatever it says.
        """
        matters = _what_matters(status)
        now_s = self._clock_s()
        if not last and matters == self._written and now_s - self._written_s < self._every_s:
            return
        try:
            self._registry.put_status(self._name, status)
        except LittoralError as error:
            _log.warning("the status cannot be written: %s", error.detail)
        else:
            self._written, self._written_s = matters, now_s


def _what_matters(status: Mapping[str, Any]) -> Mapping[str, Any]:
    """What is written as soon as it changes; of spool and counts, whether there is any."""
    found = {name: value for name, value in status.items() if name not in _COUNTS}
    found["waiting"] = status["waiting"] // _WAITING
    found["begun"] = {name: bool(status[name]) for name in _BEGUN}
    found["spool"] = {kind: bool(number) for kind, number in status["spool"].items()}
    return found
