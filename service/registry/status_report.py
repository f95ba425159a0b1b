"""Writes the status of a process into the registry: what matters at once, what it counts rarely.

Each write is a transaction that waits for the disk, and wears a memory card: one each two seconds
would be 350 MB a day. Whoever asks in the same process is given the latest one all the same.
What says nothing new is written when the clock passes a multiple of the interval, which is when the
figures of recommendations are stored too: commits within seconds of each other are charged for the
same pages of the log's index, which SQLite shares among processes.
"""

from __future__ import annotations

import logging
import time
from collections.abc import Callable, Mapping
from typing import Any

from service.errors import LittoralError
from service.process_identity import this_process
from service.registry.models.process_status import PROCESS, WRITTEN_EVERY_S
from service.registry.registry import Registry

_log = logging.getLogger(__name__)


class StatusReport:
    """The status row of one process; used by one thread."""

    def __init__(
        self,
        name: str,
        registry: Registry,
        what_matters: Callable[[Mapping[str, Any]], Mapping[str, Any]],
        every_s: float | None = None,
        clock_s: Callable[[], float] = time.time,
    ) -> None:
        """Prepare; nothing is written yet.

        Args:
            name: of the row.
            what_matters: of a status, what is written as soon as it changes.
            every_s: how often it is written while nothing of that changes; None: as is usual for
                the registry.
            clock_s: time of day, s: all processes have the same, and who judges a status's age too.
        """
        self._name = name
        self._registry = registry
        self._what_matters = what_matters
        self._every_s = registry.status_every_s if every_s is None else every_s
        self._clock_s = clock_s
        self._written: Mapping[str, Any] = {}
        self._written_s: float | None = None

    def put(self, status: Mapping[str, Any], *, last: bool = False) -> None:
        """Write a status if it says something new, or the last one is old.

        Args:
            last: write it whatever it says.
        """
        self._registry.note_status(self._name, status)
        matters = self._what_matters(status)
        now_s = self._clock_s()
        if not last and matters == self._written and not self._is_due(now_s):
            return
        row = {**status, PROCESS: this_process(), WRITTEN_EVERY_S: self._every_s}
        try:
            self._registry.put_status(self._name, row)
        except LittoralError as error:
            _log.warning("the status cannot be written: %s", error.detail)
        else:
            self._written, self._written_s = matters, now_s

    def _is_due(self, now_s: float) -> bool:
        every_s, written_s = self._every_s, self._written_s
        return written_s is None or not every_s or written_s // every_s != now_s // every_s
