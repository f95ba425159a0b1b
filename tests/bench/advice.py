"""Time the advice: deriving views and judging them by all rules, for one tank and for many.

Run: python -m tests.bench.advice [TANKS]
Views are built of eight simulated days of five different tanks (healthy, too little gas, too
much gas, too warm, dead lamp) with a log, in turn. The rules are timed on all of them on one
core; beside it one pass over the same views that only reads the newest CO2 value, to tell the
rules from the looping. Views are timed per tank, with and without the days already derived. Last,
the whole evaluation on a real store and registry: load, derive, judge, store the ledger.
"""

from __future__ import annotations

import cProfile
import pstats
import statistics
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from service.advice.engine.catalogue import RULES, evaluate
from service.advice.engine.scheduler import Scheduler
from service.derive.inputs import Inputs
from service.derive.models.tank_view import TankView
from service.derive.tank_view import Derived, tank_view
from service.registry.registry import open_registry
from service.store.model import Reading
from service.store.sqlite.store import SqliteStore
from tests.advice.cases import usual_log
from tests.derive.pieces import NOON, a_tank, days_of, gassed, inputs_with, lamp

TANKS = 10_000
WATCHED = 20
KINDS: tuple[dict[str, object], ...] = (
    {},
    {"co2": lambda t: gassed(t, high=14.0)},
    {"co2": lambda t: gassed(t, high=45.0)},
    {"celsius": 29.5},
    {"lux": lambda t: lamp(t) * (t < days_of(NOON, days=1)["ph"].time_us[0])},
)


@dataclass
class StillClock:
    """A clock that stands at the fixture's noon."""

    def now(self) -> datetime:
        """Noon."""
        return NOON


def all_inputs() -> list[Inputs]:
    """One per kind of tank."""
    return [
        inputs_with(a_tank(), NOON, days_of(NOON, **kind), usual_log())  # type: ignore[arg-type]
        for kind in KINDS
    ]


def seconds(work: Callable[[], object]) -> float:
    """CPU seconds of one run."""
    began = time.process_time()
    work()
    return time.process_time() - began


def median_ms(work: Callable[[], object], repeats: int = 15) -> float:
    """Median CPU time, ms, after one run to warm up."""
    work()
    return statistics.median(seconds(work) for _ in range(repeats)) * 1e3


def judged(views: list[TankView], tanks: int) -> int:
    """Judge so many tanks; how many findings there were."""
    return sum(len(evaluate(views[number % len(views)])) for number in range(tanks))


def looked_at(views: list[TankView], tanks: int) -> float:
    """The bare loop: read one number of each view."""
    return sum(float(views[number % len(views)].co2_series.value[-1]) for number in range(tanks))


def evaluation_seconds(folder: Path) -> tuple[float, float]:
    """CPU seconds of a first time at WATCHED tanks, and of one when all is fitted and held."""
    registry = open_registry(f"sqlite:///{folder / 'registry.db'}")
    store = SqliteStore.from_url(f"sqlite:///{folder / 'readings.db'}")
    for number in range(WATCHED):
        tank = f"tank-{number}"
        registry.put_tank(a_tank(id=tank))
        for quantity, one in days_of(NOON, **KINDS[number % len(KINDS)]).items():  # type: ignore[arg-type]
            pairs = zip(one.time_us.tolist(), one.value.tolist(), strict=True)
            store.write([Reading(tank, quantity, "s", at, value) for at, value in pairs])
        for entry in usual_log():
            registry.add_log(tank, entry.kind, entry.time, entry.data)
    scheduler = Scheduler(registry, store, StillClock(), 60.0)
    first = seconds(scheduler.evaluate_all)
    for _ in range(5):  # gas exchange is fitted within a budget, a few tanks at each look
        scheduler.evaluate_all()
    found = first, statistics.median(seconds(scheduler.evaluate_all) for _ in range(3))
    store.close()
    registry.close()
    return found


def main() -> None:
    """Print the figures."""
    tanks = int(sys.argv[1]) if len(sys.argv) > 1 else TANKS
    made = all_inputs()
    views = [tank_view(one) for one in made]
    loop_s = seconds(lambda: looked_at(views, tanks))
    rules_s = seconds(lambda: judged(views, tanks))
    print(f"{len(RULES)} rules, {tanks} tanks, one core: {rules_s:.2f} s CPU "
          f"({rules_s / tanks * 1e3:.3f} ms a tank; goal for 10,000: 20 s)")  # fmt: skip
    print(
        f"bare loop over the views: {loop_s:.3f} s; the rules take {rules_s / loop_s:.0f} times it"
    )

    one = made[0]
    whole = median_ms(lambda: evaluate(tank_view(one)))
    before = Derived()
    again = median_ms(lambda: evaluate(tank_view(one, before=before)))
    print(f"one tank, derive and judge: {whole:.1f} ms CPU; with full days known: {again:.1f} ms "
          f"(goal: 20 ms); {whole / again:.1f} times")  # fmt: skip

    with tempfile.TemporaryDirectory() as folder:
        first, second = evaluation_seconds(Path(folder))
    print(f"store to ledger, {WATCHED} tanks: first time {first / WATCHED * 1e3:.1f} ms "
          f"a tank (with fits), later {second / WATCHED * 1e3:.1f} ms a tank")  # fmt: skip

    profile = cProfile.Profile()
    profile.runcall(judged, views, min(tanks, 500))
    pstats.Stats(profile).strip_dirs().sort_stats("tottime").print_stats(8)


if __name__ == "__main__":
    main()
