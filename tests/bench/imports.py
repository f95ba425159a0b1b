"""Import of a CSV file beside a bare ``executemany`` of the same rows, in one run.

    python -m tests.bench.imports [--readings 900000] [--rounds 3]

By processor time, so that the ratios hold on a busy machine too; the modules of the command are
compiled before, as pip leaves them. See docs/performance.md.
"""

from __future__ import annotations

import argparse
import os
import resource
import sqlite3
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from service.registry.models.tank import Tank
from service.registry.registry import open_registry
from service.store import Reading, open_store
from tests.bench import store_year


def bare_import(rows: list[tuple[int, int, float, int, None]], path: Path) -> float:
    """Readings per processor second of plain executemany, a transaction for each 10,000."""
    db = sqlite3.connect(path, isolation_level=None)
    db.execute("PRAGMA journal_mode = WAL")
    db.execute("PRAGMA synchronous = FULL")
    db.execute(
        "CREATE TABLE reading (series INTEGER, time INTEGER, value REAL, flags INTEGER, raw REAL, "
        "PRIMARY KEY (series, time)) WITHOUT ROWID"
    )
    start = time.process_time()
    for at in range(0, len(rows), 10_000):
        db.execute("BEGIN")
        db.executemany("INSERT INTO reading VALUES (?, ?, ?, ?, ?)", rows[at : at + 10_000])
        db.execute("COMMIT")
    took = time.process_time() - start
    db.close()
    return len(rows) / took


def store_import(batches: list[list[Reading]], url: str) -> float:
    """Readings per processor second of ``Store.write``, rollups included."""
    store = open_store(url)
    start = time.process_time()
    for batch in batches:
        store.write(batch)
    took = time.process_time() - start
    store.close()
    return sum(map(len, batches)) / took


def csv_import(batches: list[list[Reading]], folder: Path) -> float:
    """Readings per processor second of ``littoral import``, reading the CSV included."""
    path = folder / "year.csv"
    with path.open("w", encoding="utf-8") as file:
        file.write("time,tank,quantity,sensor,value\n")
        for batch in batches:
            file.writelines(
                f"{r.time_us / 1e6:.0f},{r.tank},{r.quantity},{r.sensor},{r.value!r}\n"
                for r in batch
            )
    url = f"sqlite:///{folder}/csv.db"
    open_store(url).close()
    environ = {
        **os.environ,
        "LITTORAL_REGISTRY__URL": f"sqlite:///{folder}/registry.db",
        "PYTHONPYCACHEPREFIX": str(folder / "compiled"),
        "PYTHONDONTWRITEBYTECODE": "",
    }
    registry = open_registry(environ["LITTORAL_REGISTRY__URL"])
    for tank in {reading.tank for batch in batches for reading in batch}:
        registry.put_tank(Tank(tank, tank))
    registry.close()
    command = [sys.executable, "-m", "service", "import", str(path), "--store", url]
    short = folder / "short.csv"
    short.write_text("time,tank,quantity,sensor,value\n", encoding="utf-8")
    subprocess.run(
        [*command[:4], str(short), *command[5:]],
        check=True,
        stdout=subprocess.DEVNULL,
        env=environ,
    )
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    subprocess.run(command, check=True, stdout=subprocess.DEVNULL, env=environ)
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    used_s = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
    return sum(map(len, batches)) / used_s


def run(folder: Path, rounds: int, readings: int = 900_000) -> None:
    """Bulk import beside bare executemany of the same rows."""
    batches = list(store_year.batches(readings))
    series = {name: number for number, name in enumerate(store_year.QUANTITIES)}
    rows = [(series[r.quantity], r.time_us, r.value, 0, None) for b in batches for r in b]
    bare, own, from_csv = [], [], []
    for number in range(rounds):
        bare.append(bare_import(rows, folder / f"bare{number}.db"))
        own.append(store_import(batches, f"sqlite:///{folder}/own{number}.db"))
        place = folder / f"csv{number}"
        place.mkdir()
        from_csv.append(csv_import(batches, place))
    best, usual, csv = map(statistics.median, (bare, own, from_csv))
    print(f"\nBulk import of {readings} readings, medians of {rounds}")
    print(f"  bare executemany, no rollups   {best:10,.0f} readings/processor s   1.00")
    print(
        f"  SqliteStore.write, rollups     {usual:10,.0f} readings/processor s   {usual / best:.2f}"
    )
    print(f"  littoral import of a CSV file  {csv:10,.0f} readings/processor s   {csv / best:.2f}")


def main() -> None:
    """Run it."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--readings", type=int, default=900_000)
    parser.add_argument("--rounds", type=int, default=3)
    arguments = parser.parse_args()
    with tempfile.TemporaryDirectory(prefix="littoral-bench-") as name:
        run(Path(name), arguments.rounds, arguments.readings)


if __name__ == "__main__":
    main()
