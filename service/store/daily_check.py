"""Checks the SQLite store's file once a day: damage that nobody reads is found too."""

from __future__ import annotations

import logging
import threading
from typing import Final

from service.errors import LittoralError
from service.store.sqlite.store import SqliteStore

_log = logging.getLogger(__name__)
#: The first check is that of the start. Our choice.
EVERY_S: Final = 86_400.0


def check_daily(store: SqliteStore, stop: threading.Event) -> None:
    """Check until ``stop`` is set; a damaged store is given up, as one that is found by reading."""
    while not stop.wait(EVERY_S):
        try:
            store.check()
        except LittoralError as error:
            _log.error("the daily check of the store: %s", error.detail)
