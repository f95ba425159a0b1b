"""Time and memory of one evaluation of a tank with very many sensors, stored in SQLite.

Run: python -m tests.bench.many_sensors [SENSORS...]
Each number of sensors has a process and an empty store and registry of its own. The first
evaluation has all sensors reporting and far apart; by the second, two hours later, they have all
fallen silent. Prints seconds, the greatest memory of the process, and open recommendations.
Run it in a checkout of another version for its figures.
"""

from __future__ import annotations

import multiprocessing
import resource
import sys
import tempfile
import time
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path

from service.advice.engine.scheduler import Scheduler
from service.registry.registry import open_registry
from service.store.model import Reading
from service.store.sqlite.store import SqliteStore
from service.times import to_us
from tests.derive.pieces import NOON, a_tank

SENSORS = (10, 100, 1_000, 5_000)
QUANTITIES = ("temperature", "ph", "illuminance")
LIMIT_S = 120.0


@dataclass
class SetClock:
    """A clock that is set."""

    moment: datetime = NOON

    def now(self) -> datetime:
        """As set."""
        return self.moment


def readings_of(count: int) -> list[Reading]:
    """One reading of each sensor, within the last minute, no two alike."""
    return [
        Reading(
            "reed",
            QUANTITIES[n % 3],
            f"s{n:05}",
            to_us(NOON) - n * 60_000_000 // count,
            5.0 + n * 7919 % 1000 / 400,
        )
        for n in range(count)
    ]


def measure(count: int) -> None:
    """Print one line for a number of sensors."""
    with tempfile.TemporaryDirectory(prefix="many-sensors-") as folder:
        registry = open_registry(f"sqlite:///{folder}/registry.db")
        store = SqliteStore(Path(folder) / "store.db")
        registry.put_tank(a_tank())
        store.write(readings_of(count))
        clock = SetClock()
        scheduler = Scheduler(registry, store, clock, 60.0)
        took_s = []
        for hours in (0, 2):
            clock.moment = NOON + timedelta(hours=hours)
            began = time.perf_counter()
            scheduler.evaluate_all()
            took_s.append(time.perf_counter() - began)
        open_ones = len(registry.recommendations(tanks=["reed"]))
        memory_mb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
        print(
            f"{count:7} sensors: reporting {took_s[0]:8.3f} s, silent {took_s[1]:8.3f} s, "
            f"{memory_mb:6.0f} MB, {open_ones} open",
            flush=True,
        )
        store.close()
        registry.close()


def main() -> None:
    """Measure each number of sensors in a process of its own."""
    for count in tuple(map(int, sys.argv[1:])) or SENSORS:
        process = multiprocessing.get_context("spawn").Process(target=measure, args=(count,))
        process.start()
        process.join(LIMIT_S)
        if process.is_alive():
            process.terminate()
            process.join()
            print(f"{count:7} sensors: not done within {LIMIT_S:g} s", flush=True)


if __name__ == "__main__":
    main()
