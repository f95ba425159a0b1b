"""A year of 10 s readings in each store: size, import, questions; ratios within this one run.

    python -m tests.bench.store [--days 365] [--stores sqlite,influx,victoriametrics] [--rounds 3]
                                [--skip-year] [--seconds 20]

Takes about ten minutes and 2 GB in a temporary folder. Processor time is printed beside wall time,
so that the ratios hold on a busy machine too. See docs/stores.md for figures.
"""

from __future__ import annotations

import argparse
import json
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any, NamedTuple

from service.store import open_store
from tests.bench import co2_now, imports, store_year
from tests.servers import HOST, Influxdb, Server, Victoriametrics


def size_of(folder: Path) -> int:
    """Bytes of all files below a folder."""
    return sum(path.stat().st_size for path in folder.rglob("*") if path.is_file())


class Place(NamedTuple):
    """A store's URL and the process id of its server."""

    url: str
    pid: int | None


@contextmanager
def filled(kind: str, folder: Path, readings: int) -> Iterator[Place]:
    """A store of a kind with the readings in it; prints import rate and size."""
    server: Server | None = None
    if kind == "sqlite":
        url = f"sqlite:///{folder}/sqlite/year.db"
    elif kind == "influx":
        server = Influxdb(folder / kind)
        url = f"influx://{HOST}:{server.port}/year"
    else:
        server = Victoriametrics(folder / kind)
        url = f"victoriametrics://{HOST}:{server.port}"
    try:
        if server is not None:
            server.start()
        store, start, took = open_store(url), time.perf_counter(), 0.0
        for batch in store_year.batches(readings):
            begin = time.perf_counter()
            store.write(batch)
            took += time.perf_counter() - begin
        store.close()
        if server is not None:  # let it write and merge what it holds in memory
            time.sleep(10)
            server.restart()
            time.sleep(5)
        size = size_of(folder / kind)
        print(
            f"  {kind:16} {readings / took:10,.0f} readings/s written "
            f"({time.perf_counter() - start:.0f} s), {size / readings:6.2f} bytes/reading on disk",
            flush=True,
        )
        yield Place(url, None if server is None else server.pid)
    finally:
        if server is not None:
            server.stop()


def asked(place: Place, question: str) -> dict[str, Any]:
    """Time a question in a process of its own."""
    command = [sys.executable, "-m", "tests.bench.store_year", place.url, question]
    command += [] if place.pid is None else [str(place.pid)]
    done = subprocess.run(command, check=True, capture_output=True, text=True)
    result: dict[str, Any] = json.loads(done.stdout.splitlines()[-1])
    return result


def tell(name: str, result: dict[str, Any], reference: float | None = None) -> float:
    """Print a timed question and its ratio; returns the median of processor ms."""
    wall, used = (statistics.median(result[unit]) for unit in ("ms", "cpu_ms"))
    ratio = "" if reference is None else f"  {used / reference:7.3f} of the line above"
    print(
        f"  {name:42} {used:9.1f} ms processor, {wall:9.1f} ms wall, {result['mb']:4.0f} MB "
        f"(+{result['mb'] - result['before_mb']:.0f}) -> {str(result['answer'])[:24]}{ratio}",
        flush=True,
    )
    return used


def year(folder: Path, kinds: list[str], readings: int) -> None:
    """A year in each store, the year's questions, and ours on SQLite beside the servers' own."""
    print(f"\n{readings} readings (3 quantities every 10 s)")
    used_ms: dict[tuple[str, str], float] = {}
    for kind in kinds:
        with filled(kind, folder, readings) as place:
            plainly = "plain" if kind == "sqlite" else "direct"
            for question in ("series", "excursions"):
                name = "sqlite3, the same raw rows" if kind == "sqlite" else f"{kind} directly"
                used = tell(f"{name}: {question}", asked(place, f"{plainly}-{question}"))
                own = tell(f"GET {question} from {kind}", asked(place, f"api-{question}"), used)
                used_ms[f"{kind} plainly", question], used_ms[kind, question] = used, own
            for question in ("series", "latest", "eight-days", "all"):
                tell(f"store.{question}, {kind}", asked(place, f"store-{question}"))
        shutil.rmtree(folder / kind)
    if "sqlite" in kinds:
        print("  GET from SQLite next to each reference, by processor time")
        for question in ("series", "excursions"):
            own = used_ms["sqlite", question]
            ratios = ", ".join(
                f"{own / used_ms[f'{k} plainly', question]:.3f} of {k}" for k in kinds
            )
            print(f"  {question:12} {own:7.1f} ms: {ratios}, asked directly")


def main() -> None:
    """Run all of it."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--days", type=float, default=365)
    parser.add_argument("--stores", default="sqlite,influx,victoriametrics")
    parser.add_argument("--rounds", type=int, default=3)
    parser.add_argument("--seconds", type=float, default=20)
    parser.add_argument("--skip-year", action="store_true")
    arguments = parser.parse_args()
    with tempfile.TemporaryDirectory(prefix="littoral-bench-") as name:
        folder = Path(name)
        imports.run(folder, arguments.rounds)
        co2_now.run(folder, arguments.seconds)
        if not arguments.skip_year:
            readings = int(arguments.days * 8640) * len(store_year.QUANTITIES)
            year(folder, arguments.stores.split(","), readings)


if __name__ == "__main__":
    main()
