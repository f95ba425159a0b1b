"""What an evaluation of many tanks takes, from the store to the ledger: the first and later ones.

    python -m tests.bench.looks [TANKS] [--evaluations 5] [--profile] [--victoriametrics]

Invented tanks of five kinds with eight days of pH, temperature and light, each 5 min, and a log of
55 entries, in a real SQLite store and registry. Between two evaluations five minutes pass, without
and with new readings of each sensor. Printed is processor time of one process, milliseconds a tank,
in all and by part, with the questions to store and registry; beside it a floor: a question for the
newest readings of each tank, and the rules on views that are there already. With
``--victoriametrics`` the store is a real server of its own, whose processor time is left out.
"""

from __future__ import annotations

import argparse
import cProfile
import functools
import pstats
import statistics
import tempfile
import time
from collections import Counter
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any, Final
from unittest import mock

from sqlalchemy import event

from service.advice.engine import catalogue, evaluator
from service.advice.engine.history.ledger import Ledger
from service.advice.engine.scheduler import Scheduler
from service.derive.caching import view_cache
from service.registry.models.log import LogEntry, LogKind
from service.registry.registry import Registry, open_registry
from service.store import open_store
from service.store.http import Remote
from service.store.interface import Store
from service.store.model import Reading, Samples
from service.times import to_us
from tests.advice.cases import usual_log, view_with
from tests.derive.pieces import NOON, a_tank, days_of, entry, gassed, grid, lamp, samples
from tests.servers import HOST, Victoriametrics
from tests.store.conftest import show_on

TANKS: Final = 200
STEP: Final = timedelta(minutes=5)
KINDS: Final[tuple[dict[str, Any], ...]] = (
    {},
    {"co2": lambda t: gassed(t, high=14.0)},
    {"co2": lambda t: gassed(t, high=45.0)},
    {"celsius": 29.5},
    {"co2": lambda t: gassed(t, rise_per_h=0.5)},
)
PARTS: Final = ("store", "fits", "rules", "ledger")


class MovingClock:
    """A clock that is set."""

    def __init__(self) -> None:
        self.time = NOON

    def now(self) -> datetime:
        """As set."""
        return self.time


class Meter:
    """Processor time by part, and what was asked."""

    def __init__(self) -> None:
        self.seconds: Counter[str] = Counter()
        self.asked: Counter[str] = Counter()
        self._within = False

    def timed(self, part: str, name: str, work: Callable[..., Any]) -> Callable[..., Any]:
        """The same work, with its time counted; what it calls itself counts to it."""

        @functools.wraps(work)
        def counted(*args: Any, **options: Any) -> Any:
            if self._within:
                return work(*args, **options)
            self._within = True
            self.asked[name] += 1
            began = time.process_time()
            try:
                return work(*args, **options)
            finally:
                self.seconds[part] += time.process_time() - began
                self._within = False

        return counted


class MeteredStore:
    """A store whose questions are counted."""

    def __init__(self, store: Store, meter: Meter) -> None:
        self._store = store
        self._meter = meter

    def __getattr__(self, name: str) -> Any:
        found = getattr(self._store, name)
        return self._meter.timed("store", f"store.{name}", found) if callable(found) else found


def kinds_of_tanks() -> list[Mapping[str, Samples]]:
    """The series of each kind of tank, up to the end of all evaluations."""
    made = []
    for kind in KINDS:
        series = days_of(NOON + timedelta(days=1), days=9, **kind)
        at = grid(NOON - timedelta(days=8), NOON + timedelta(days=1))
        made.append({**series, "illuminance": samples(at, lamp(at))})
    return made


def readings(
    tanks: int, kinds: list[Mapping[str, Samples]], since: int, until: int
) -> list[Reading]:
    """The readings of all tanks in [since, until), microseconds."""
    found = []
    for number in range(tanks):
        for quantity, one in kinds[number % len(kinds)].items():
            here = (one.time_us >= since) & (one.time_us < until)
            found += [
                Reading(f"tank-{number}", quantity, "s", at, value)
                for at, value in zip(
                    one.time_us[here].tolist(), one.value[here].tolist(), strict=True
                )
            ]
    return found


def log_of_months() -> list[LogEntry]:
    """What is usual, and a water change and two doses in each of the 16 weeks before."""
    weeks = [NOON - timedelta(days=3 + 7 * number) for number in range(1, 17)]
    return [
        *usual_log(),
        *(entry(LogKind.WATER_CHANGE, at, fraction=0.5) for at in weeks),
        *(entry(LogKind.DOSE, at, name="macro", ml=18.0) for at in weeks),
        *(entry(LogKind.DOSE, at, name="iron", g=0.36) for at in weeks),
    ]


def fill(registry: Registry, store: Store, tanks: int, kinds: list[Mapping[str, Samples]]) -> None:
    """Tanks with their log, and their readings up to noon."""
    for number in range(tanks):
        registry.put_tank(a_tank(id=f"tank-{number}"))
        for one in log_of_months():
            registry.add_log(f"tank-{number}", one.kind, one.time, one.data)
    for day in range(-9, 0):
        first = to_us(NOON + timedelta(days=day))
        store.write(readings(tanks, kinds, first, first + 86_400_000_000))


@contextmanager
def metered(meter: Meter, registry: Registry) -> Iterator[None]:
    """Count time of rules and ledger, and the registry's statements."""

    def counted(*_: object) -> None:
        meter.asked["registry: statements"] += 1

    def requested(*args: Any, **options: Any) -> Any:
        meter.asked["store: requests"] += 1
        return request(*args, **options)

    request = Remote.request
    event.listen(registry.engine, "before_cursor_execute", counted)
    patches = [
        mock.patch.object(Remote, "request", requested),
        mock.patch.object(
            view_cache, "gas_exchange", meter.timed("fits", "fits", view_cache.gas_exchange)
        ),
        mock.patch.object(evaluator, "evaluate", meter.timed("rules", "rules", catalogue.evaluate)),
        mock.patch.object(Ledger, "active", meter.timed("ledger", "ledger.active", Ledger.active)),
        mock.patch.object(
            Ledger, "update_many", meter.timed("ledger", "ledger.update_many", Ledger.update_many)
        ),
    ]
    for one in patches:
        one.start()
    try:
        yield
    finally:
        for one in patches:
            one.stop()
        event.remove(registry.engine, "before_cursor_execute", counted)


def one_evaluation(
    watch: Scheduler, registry: Registry, meter: Meter, tanks: int
) -> dict[str, float]:
    """Milliseconds a tank of one evaluation, in all and by part."""
    meter.seconds.clear()
    meter.asked.clear()
    with metered(meter, registry):
        began = time.process_time()
        watch.evaluate_all()
        whole = time.process_time() - began
    found = {part: meter.seconds[part] for part in PARTS}
    found["derive"] = whole - sum(found.values())
    return {name: 1e3 * value / tanks for name, value in {"all": whole, **found}.items()}


def floor(store: Store, tanks: int) -> float:
    """Milliseconds a tank of what an evaluation cannot do without."""
    views = [view_with(**kind) for kind in KINDS]
    began = time.process_time()
    for number in range(tanks):
        store.series(f"tank-{number}")
        catalogue.evaluate(views[number % len(views)])
    return 1e3 * (time.process_time() - began) / tanks


def tell(
    what: str, found: list[dict[str, float]], bare_ms: float, meter: Meter, tanks: int
) -> None:
    """Print the median of some evaluations."""
    middle = {name: statistics.median(one[name] for one in found) for name in found[0]}
    parts = ", ".join(f"{name} {middle[name]:.2f}" for name in (*PARTS, "derive"))
    print(
        f"{what}: {middle['all']:.2f} ms a tank ({parts}), "
        f"{middle['all'] / bare_ms:.1f} x the floor"
    )
    asked = ", ".join(f"{name} {count / tanks:.2f}" for name, count in sorted(meter.asked.items()))
    print(f"    asked a tank: {asked}", flush=True)


@contextmanager
def opened(folder: Path, on_server: bool) -> Iterator[tuple[Store, Store, Callable[[], None]]]:
    """An empty store as one process writes and another reads it, and what shows all that is new."""
    if not on_server:
        store = open_store(f"sqlite:///{folder / 'readings.db'}")
        yield store, store, lambda: None
        store.close()
        return
    server = Victoriametrics(folder / "server")
    try:
        server.start()
        url = f"victoriametrics://{HOST}:{server.port}"
        written, store = open_store(url), open_store(url)
        yield written, store, lambda: show_on(server.url)
        written.close()
        store.close()
    finally:
        server.stop()


def run(
    folder: Path,
    options: argparse.Namespace,
    written: Store,
    plain: Store,
    show: Callable[[], None],
) -> None:
    """Fill, evaluate, print."""
    tanks, kinds = options.tanks, kinds_of_tanks()
    registry = open_registry(f"sqlite:///{folder / 'registry.db'}")
    fill(registry, written, tanks, kinds)
    show()
    meter, clock = Meter(), MovingClock()
    store: Any = MeteredStore(plain, meter)
    watch = Scheduler(registry, store, clock, 60.0)
    bare_ms = floor(plain, tanks)
    print(f"{tanks} tanks; floor {bare_ms:.2f} ms a tank")
    with mock.patch.object(view_cache, "BUDGET_S", 1e9):  # all gas exchange is fitted at once
        first = one_evaluation(watch, registry, meter, tanks)
    tell("first, with fits", [first], bare_ms, meter, tanks)
    for what in ("later, nothing new", "later, new readings of each sensor"):
        found = []
        for _ in range(options.evaluations):
            before, clock.time = clock.time, clock.time + STEP
            if what.endswith("sensor"):
                written.write(readings(tanks, kinds, to_us(before), to_us(clock.time)))
                show()
            found.append(one_evaluation(watch, registry, meter, tanks))
        tell(what, found, bare_ms, meter, tanks)
    if options.profile:
        profile = cProfile.Profile()
        clock.time += STEP
        written.write(readings(tanks, kinds, to_us(clock.time - STEP), to_us(clock.time)))
        profile.runcall(watch.evaluate_all)
        for order in ("tottime", "cumtime"):
            pstats.Stats(profile).strip_dirs().sort_stats(order).print_stats(45)
    registry.close()


def main() -> None:
    """Run it."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("tanks", type=int, nargs="?", default=TANKS)
    parser.add_argument("--evaluations", type=int, default=5)
    parser.add_argument("--profile", action="store_true")
    parser.add_argument("--victoriametrics", action="store_true")
    options = parser.parse_args()
    with (
        tempfile.TemporaryDirectory(prefix="littoral-bench-") as folder,
        opened(Path(folder), options.victoriametrics) as stores,
    ):
        run(Path(folder), options, *stores)


if __name__ == "__main__":
    main()
