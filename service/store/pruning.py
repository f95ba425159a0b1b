"""Retention while the service runs: each UTC day's pruning is done once, by one process."""

from __future__ import annotations

import logging
import threading
from typing import Final

from service.clock import Clock
from service.errors import LittoralError
from service.store.retention import RetentionPolicy
from service.store.sqlite.store import SqliteStore

_log = logging.getLogger(__name__)

#: So often it is asked whether a new day has begun.
CHECK_EVERY_S: Final = 60.0
#: Between two steps of deleting; readings are written meanwhile.
REST_S: Final = 0.05


def prune_daily(
    store: SqliteStore, policy: RetentionPolicy, clock: Clock, stop: threading.Event
) -> None:
    """Prune at the start and then once a day, until ``stop`` is set.

    Several processes may run this on one file: whichever comes first prunes, the others find that
    it is done. What goes wrong is logged and tried again.
    """
    begun = False
    while not stop.is_set():
        now = clock.now()
        try:
            begun = store.claim_pruning(policy, now) or begun
            if begun:
                pruned = store.prune(policy, now, rest=lambda: not stop.wait(REST_S))
                begun = False
                _log.info(
                    "retention: %d readings, %d minute, %d hour and %d day rollups deleted",
                    *(pruned.raw, pruned.minute, pruned.hour, pruned.day),
                )
        except LittoralError as error:
            _log.warning("retention: not all was deleted, will try again: %s", error.detail)
        stop.wait(CHECK_EVERY_S)
