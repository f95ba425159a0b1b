"""What the service itself needs for one answer: processor time of single requests, no sockets.

    python -m tests.bench.answers [--times 200] [--days 8] [--profile PATH]

An application with the demo's invented tanks and days of readings in SQLite, called by WSGI in this
process. For each address the median of the processor time, and its ratio to ``/healthz``.
"""

from __future__ import annotations

import argparse
import cProfile
import gc
import pstats
import statistics
import tempfile
import time
from collections.abc import Callable, Iterable
from pathlib import Path
from typing import Any, Final
from wsgiref.util import setup_testing_defaults

from flask import Flask

from service.app.app_factory import create_app
from service.app.application import Application
from service.config import Config
from service.store.sqlite.store import SqliteStore
from tests.pages.served import Served, SetClock, fill
from tests.registries import sqlite_registry

HEALTH: Final = "/healthz"
TANK: Final = "emberpane"
PATHS: Final = (
    HEALTH,
    f"/v1/tanks/{TANK}/co2",
    f"/v1/tanks/{TANK}/temperature",
    f"/v1/tanks/{TANK}/light",
    f"/v1/tanks/{TANK}/nutrients",
    f"/v1/tanks/{TANK}/recommendations",
    f"/v1/tanks/{TANK}/readings?limit=100",
    "/v1/tanks",
    "/",
    f"/tanks/{TANK}",
)


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--times", type=int, default=200)
    parser.add_argument("--days", type=int, default=8, help="of readings")
    parser.add_argument("--profile", metavar="PATH", help="print where the time of one path goes")
    parser.add_argument("--order", choices=("cumulative", "tottime"), default="cumulative")
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        app = _filled(Path(folder), options.days)
        if options.profile:
            _profile(_asker(app, options.profile), options.times, options.order)
            return
        took = _medians_ms({path: _asker(app, path) for path in PATHS}, options.times)
    for path, ms in took.items():
        print(f"{path:40} {ms:7.2f} ms, {ms / took[HEALTH]:5.1f} of {HEALTH}")


def _filled(folder: Path, days: int) -> Flask:
    registry = sqlite_registry(folder / "registry.db")
    store = SqliteStore(folder / "readings.db")
    served = Served(registry, store, SetClock(), Config().http)
    fill(served, days)
    return create_app(Application(Config(), served.clock, store, registry))


def _asker(app: Flask, path: str) -> Callable[[], object]:
    """A function that makes one request."""
    name, _, query = path.partition("?")

    def ask() -> object:
        environ: dict[str, Any] = {"PATH_INFO": name, "QUERY_STRING": query}
        environ |= {"REMOTE_ADDR": "127.0.0.1", "SERVER_PROTOCOL": "HTTP/1.1"}
        setup_testing_defaults(environ)
        answer: Iterable[bytes] = app(environ, _accept)
        return b"".join(answer)

    return ask


def _accept(status: str, *_: object) -> None:
    assert status.startswith("200"), status


def _medians_ms(asked: dict[str, Callable[[], object]], times: int) -> dict[str, float]:
    """Of rounds through all of them, so that what else the machine does hits all alike."""
    took: dict[str, list[float]] = {path: [] for path in asked}
    for _ in range(times):
        for path, ask in asked.items():
            ask()  # the caches of the processor are those of the path asked
            before = time.process_time_ns()
            ask()
            took[path].append((time.process_time_ns() - before) / 1e6)
    return {path: statistics.median(each) for path, each in took.items()}


def _profile(ask: Callable[[], object], times: int, order: str) -> None:
    ask()
    gc.disable()  # a pause would be counted to whoever happens to make the next object
    profile = cProfile.Profile(time.process_time)  # others use the processor too
    profile.enable()
    for _ in range(times):
        ask()
    profile.disable()
    pstats.Stats(profile).sort_stats(order).print_stats(100)


if __name__ == "__main__":
    main()
