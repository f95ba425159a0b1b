"""An ingester as a process of its own, for tests that kill it: ``python process.py CONFIG``."""

from __future__ import annotations

import logging
import os
import signal
import sys
import threading
from pathlib import Path

from ingest.app import Ingester
from service.clock import SystemClock
from service.config import load_config
from service.store import open_store
from service.tanks.registry import open_registry


def main(path: Path) -> None:
    """Run until SIGTERM."""
    logging.basicConfig(level=logging.INFO, format="%(asctime)s %(name)s %(message)s")
    config = load_config(path, os.environ)
    stop = threading.Event()
    signal.signal(signal.SIGTERM, lambda *_: stop.set())
    ingester = Ingester(
        config, open_store(config.store.url), open_registry(config.registry.url), SystemClock()
    )
    ingester.run(stop)


if __name__ == "__main__":
    main(Path(sys.argv[1]))
