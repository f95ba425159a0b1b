"""Where a batch goes: into the store, rejections into the registry; retried until it is there."""

from __future__ import annotations

import logging
import random
import threading
from collections.abc import Callable, Sequence
from typing import Final

from service.errors import LittoralError
from service.store import Reading, Store
from service.tanks.registry import Registry
from service.tanks.values import Rejection

_log = logging.getLogger(__name__)
_FIRST_WAIT_S: Final = 0.2
_LONGEST_WAIT_S: Final = 30.0


class Delivery:
    """Writes batches; used by one thread."""

    def __init__(self, store: Store, registry: Registry, rejections_kept: int) -> None:
        self._store = store
        self._registry = registry
        self._rejections_kept = rejections_kept
        self.stored = 0
        self.rejected = 0
        self.last_error = ""

    def commit(
        self,
        readings: Sequence[Reading],
        rejections: Sequence[Rejection],
        held: threading.Event,
        give_up: threading.Event,
    ) -> bool:
        """Write both; returns only when they are kept.

        Args:
            held: set while nothing can be committed.
            give_up: set: do not try again.

        Returns:
            False if it gave up: then nothing may be acknowledged.
        """

        def write_readings() -> None:
            if readings:
                self._store.write(readings)

        def write_rejections() -> None:
            self._registry.add_rejections(rejections, keep=self._rejections_kept)

        if not self._insist(write_readings, held, give_up):
            return False
        self.stored += len(readings)
        if not self._insist(write_rejections, held, give_up):
            return False
        self.rejected += len(rejections)
        return True

    def _insist(
        self, write: Callable[[], None], held: threading.Event, give_up: threading.Event
    ) -> bool:
        wait_s = _FIRST_WAIT_S
        while True:
            try:
                write()
            except LittoralError as error:
                self.last_error = error.detail
                _log.warning("not committed, will try again: %s", error.detail)
                held.set()
                if give_up.wait(wait_s * random.uniform(0.5, 1.0)):
                    return False
                wait_s = min(2 * wait_s, _LONGEST_WAIT_S)
            else:
                self.last_error = ""
                held.clear()
                return True
