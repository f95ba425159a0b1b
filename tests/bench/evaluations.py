"""Evaluating many tanks: processor time and memory a tank, the first time and later.

    python -m tests.bench.evaluations [--tanks 10000] [--later 3] [--step-min 10]

Invented tanks of five kinds with eight days of pH, temperature and light, in a real SQLite store
and registry; most are copied in the file, as writing each would take long. The scheduler evaluates
all of them in a process of its own, which may fit gas exchange for two seconds each time; some
minutes pass and each sensor sends once between. Printed is that process's processor time a tank,
and the memory it holds, less what it held before. How the time divides among store, fits, rules
and ledger: ``python -m tests.bench.looks``.
"""

from __future__ import annotations

import argparse
import contextlib
import json
import resource
import sqlite3
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from pathlib import Path

from service.advice.engine.scheduler import Scheduler
from service.registry.database.versions import new_version
from service.registry.documents import to_document
from service.registry.registry import open_registry
from service.registry.tables.tanks import TankRow
from service.store import Reading, Samples, open_store
from service.times import from_us, to_us
from tests.advice.cases import usual_log
from tests.bench.advice import KINDS
from tests.derive.pieces import NOON, a_tank, days_of

STEP = timedelta(minutes=5)
_DAYS = 8


@dataclass
class SetClock:
    """A clock that is set."""

    time: datetime = NOON

    def now(self) -> datetime:
        """As set."""
        return self.time


def kinds(step_min: int) -> list[Mapping[str, Samples]]:
    """The series of each kind of tank, to an hour after noon, thinned to a step."""
    made = []
    for kind in KINDS:
        found = days_of(NOON + timedelta(hours=1), days=_DAYS, **kind)  # type: ignore[arg-type]
        thin = {}
        for quantity, one in found.items():
            kept = one.time_us % (step_min * 60_000_000) == 0
            thin[quantity] = Samples(one.time_us[kept], one.value[kept], one.flags[kept])
        made.append(thin)
    return made


def readings(
    numbers: range, of_kinds: list[Mapping[str, Samples]], since: int, until: int
) -> Iterator[Reading]:
    """The readings of some tanks in [since, until), microseconds."""
    for number in numbers:
        for quantity, one in of_kinds[number % len(of_kinds)].items():
            here = (one.time_us >= since) & (one.time_us < until)
            pairs = zip(one.time_us[here].tolist(), one.value[here].tolist(), strict=True)
            for at, value in pairs:
                yield Reading(f"tank-{number}", quantity, "s", at, value)


def fill(folder: Path, tanks: int, of_kinds: list[Mapping[str, Samples]]) -> None:
    """Registry and store: the first tank of each kind is written, the others copied from it."""
    fill_registry(folder, tanks)
    url, first = f"sqlite:///{folder}/readings.db", range(len(of_kinds))
    store = open_store(url)
    store.write(list(readings(first, of_kinds, 0, to_us(NOON))))
    store.close()
    with sqlite3.connect(folder / "readings.db") as database:
        database.execute("PRAGMA synchronous = OFF")
        database.execute("CREATE TEMP TABLE copy (id INTEGER PRIMARY KEY, source INTEGER)")
        for number in range(len(of_kinds), tanks):
            rows = database.execute(
                "SELECT id, quantity, sensor, readings, first, last FROM series WHERE tank = ?",
                (f"tank-{number % len(of_kinds)}",),
            ).fetchall()
            for source, *rest in rows:
                cursor = database.execute(
                    "INSERT INTO series (tank, quantity, sensor, readings, first, last) "
                    "VALUES (?, ?, ?, ?, ?, ?)",
                    (f"tank-{number}", *rest),
                )
                database.execute("INSERT INTO copy VALUES (?, ?)", (cursor.lastrowid, source))
        tables = database.execute("SELECT name FROM sqlite_master WHERE type = 'table'").fetchall()
        for (table,) in tables:
            columns = [row[1] for row in database.execute(f"PRAGMA table_info({table})")]
            if columns[0] != "series":
                continue
            names = ", ".join(columns[1:])
            database.execute(
                f"INSERT INTO {table} (series, {names}) SELECT copy.id, {names} FROM copy "
                f"CROSS JOIN {table} ON {table}.series = copy.source"
            )
    database.close()


def fill_registry(folder: Path, tanks: int) -> None:
    """Tanks, and their log entries: those of the first, copied to the others."""
    with contextlib.closing(open_registry(f"sqlite:///{folder}/registry.db")) as registry:
        registry.put_tank(replace(a_tank(id="tank-0"), name="Tank 0"))
        for entry in usual_log():
            registry.add_log("tank-0", entry.kind, entry.time, entry.data)
        with registry.session(writes="bookkeeping") as session:
            for number in range(1, tanks):
                tank = replace(a_tank(id=f"tank-{number}"), name=f"Tank {number}")
                document, version = to_document(tank), new_version()
                session.add(TankRow(id=tank.id, name=tank.name, document=document, version=version))
    with contextlib.closing(sqlite3.connect(folder / "registry.db")) as database, database:
        cursor = database.execute("SELECT * FROM log_entry")
        columns = [one[0] for one in cursor.description]
        rows = [dict(zip(columns, row, strict=True)) for row in cursor]
        names = ", ".join(columns)
        values = ", ".join(f":{name}" for name in columns)
        database.executemany(
            f"INSERT INTO log_entry ({names}) VALUES ({values})",
            (
                {**row, "id": f"{number}-{at}", "tank": f"tank-{number}"}
                for number in range(1, tanks)
                for at, row in enumerate(rows)
            ),
        )


def evaluate(folder: Path, tanks: int) -> None:
    """The child: one evaluation for each line, at the time in microseconds that it names."""
    registry = open_registry(f"sqlite:///{folder}/registry.db")
    store, clock = open_store(f"sqlite:///{folder}/readings.db"), SetClock()
    scheduler = Scheduler(registry, store, clock, 60.0)
    before_mb = held_mb()
    for line in sys.stdin:
        clock.time = from_us(int(line))
        began = time.process_time()
        scheduler.evaluate_all()
        used_s = time.process_time() - began
        figures = {
            "ms": 1e3 * used_s / tanks,
            "held_kb": 1e3 * (held_mb() - before_mb) / tanks,
            "peak_kb": 1e3 * (peak_mb() - before_mb) / tanks,
            "before_mb": before_mb,
        }
        print(json.dumps(figures), flush=True)
    store.close()
    registry.close()


def held_mb() -> float:
    """Memory that this process holds now."""
    status = Path("/proc/self/status").read_text()
    kb = next(line.split()[1] for line in status.splitlines() if line.startswith("VmRSS"))
    return int(kb) / 1000


def peak_mb() -> float:
    """The most that this process has held."""
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1000


def run(folder: Path, tanks: int, later: int, step_min: int) -> None:
    """Fill, have the child evaluate, print."""
    began, of_kinds = time.monotonic(), kinds(step_min)
    fill(folder, tanks, of_kinds)
    mb = (folder / "readings.db").stat().st_size / 1e6
    print(f"{tanks:,} tanks, readings each {step_min} min, {mb:,.0f} MB; filled in "
          f"{time.monotonic() - began:.0f} s", flush=True)  # fmt: skip
    child = subprocess.Popen(
        [sys.executable, "-m", "tests.bench.evaluations", "--child", str(folder), str(tanks)],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    )
    assert child.stdin is not None
    assert child.stdout is not None
    store, now = open_store(f"sqlite:///{folder}/readings.db"), NOON
    try:
        for number in range(1 + later):
            if number:
                before, now = now, now + max(STEP, timedelta(minutes=step_min))
                for first in range(0, tanks, 2000):
                    some = range(first, min(first + 2000, tanks))
                    new = list(readings(some, of_kinds, to_us(before), to_us(now)))
                    store.write(new)
            child.stdin.write(f"{to_us(now)}\n")
            child.stdin.flush()
            figures = json.loads(child.stdout.readline())
            print(
                f"  evaluation {number + 1}: {figures['ms']:.2f} ms a tank; memory "
                f"{figures['held_kb']:.1f} kB a tank, at most {figures['peak_kb']:.1f}, beside "
                f"{figures['before_mb']:.0f} MB",
                flush=True,
            )
    finally:
        child.stdin.close()
        child.wait(60)
        store.close()


def main() -> None:
    """Run it."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--tanks", type=int, default=10_000)
    parser.add_argument("--later", type=int, default=3, help="evaluations after the first")
    parser.add_argument("--step-min", type=int, default=10, help="between a sensor's readings")
    parser.add_argument("--child", nargs=2)
    given = parser.parse_args()
    if given.child:
        evaluate(Path(given.child[0]), int(given.child[1]))
        return
    with tempfile.TemporaryDirectory(prefix="littoral-bench-") as folder:
        run(Path(folder), given.tanks, given.later, given.step_min)


if __name__ == "__main__":
    main()
