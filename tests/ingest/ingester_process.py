"""An ingester as a process of its own, for tests that kill it."""

from __future__ import annotations

import logging
import math
import os
import sys
import threading
import time
from pathlib import Path

from ingest.app import Ingester
from ingest.receive import queue
from service.app.signals import set_by_signals
from service.clock import SystemClock
from service.config import Config
from service.registry.registry import open_registry
from service.registry.repositories import process_status
from service.store import open_store

SUBSCRIBED = "the broker has taken all subscriptions"


def run(config: Config, log: Path) -> None:
    """Run until SIGTERM; what it says goes to the end of a file."""
    with log.open("ab") as out:
        os.dup2(out.fileno(), sys.stdout.fileno())
        os.dup2(out.fileno(), sys.stderr.fileno())
    logging.basicConfig(level=logging.INFO, format="%(asctime)s %(name)s %(message)s", force=True)
    stop = threading.Event()
    process_status.STATUS_IN_FILE_EVERY_S = 0.0  # as in tests/ingest/conftest.py
    queue._FIRST_AGE_S = math.inf  # a batch has the age that the test says
    with set_by_signals(stop):
        ingester = Ingester(
            config, open_store(config.store.url), open_registry(config.registry.url), SystemClock()
        )
        threading.Thread(target=_say_when_subscribed, args=(ingester,), daemon=True).start()
        ingester.run(stop)


def _say_when_subscribed(ingester: Ingester) -> None:
    while not ingester.status()["subscribed"]:
        time.sleep(0.02)
    logging.info(SUBSCRIBED)
