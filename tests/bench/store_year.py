"""An invented year of readings every 10 s, and questions put to it; each in a process of its own.

python -m tests.bench.store_year URL QUESTION     prints JSON: ms of each repeat, resident MB
"""

from __future__ import annotations

import atexit
import json
import os
import shutil
import sqlite3
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
import requests

from service.clock import FixedClock
from service.store import Reading, SeriesKey, Store, open_store
from service.store.sqlite.store import SqliteStore
from service.times import to_us

START = datetime(2025, 1, 1, tzinfo=UTC)
END = datetime(2026, 1, 1, tzinfo=UTC)
T0, T1 = to_us(START), to_us(END)
STEP_US = 10_000_000
TANK, SENSOR = "quarry-pool", "probe-1"
QUANTITIES = ("ph", "temperature", "illuminance")
LOW_C, HIGH_C = 22.0, 27.0
REPEATS = 5
SPAN = "start=2025-01-01T00:00:00Z&end=2026-01-01T00:00:00Z"
SERIES_PATH = f"/v1/tanks/{TANK}/co2/series?{SPAN}&every=9h&limit=1000"
EXCURSIONS_PATH = f"/v1/tanks/{TANK}/temperature/excursions?{SPAN}"


def values(quantity: str, first: int, count: int) -> np.ndarray:
    """Readings ``first`` to ``first + count`` of a quantity: seasons, days, noise; 3 decimals."""
    i = np.arange(first, first + count)
    noise = np.random.default_rng((QUANTITIES.index(quantity), first)).normal(0, 1, count)
    day = (i % 8640) / 8640
    lit = (day > 0.35) & (day < 0.7)
    if quantity == "ph":
        return np.round(np.where(lit, 6.55, 6.95) + 0.01 * noise, 3)
    if quantity == "temperature":
        season = 1.6 * np.sin(2 * np.pi * (i / 3_153_600 - 0.3))
        return np.round(24.8 + season + 0.9 * np.sin(2 * np.pi * (day - 0.4)) + 0.03 * noise, 3)
    return np.round(np.where(lit, 9000 + 60 * noise, 0.0), 1)


def batches(readings: int, size: int = 10_000) -> Iterator[list[Reading]]:
    """The first ``readings`` of the year, a third of each quantity, in batches of one series."""
    each = readings // len(QUANTITIES)
    for quantity in QUANTITIES:
        for first in range(0, each, size):
            column = values(quantity, first, min(size, each - first)).tolist()
            yield [
                Reading(TANK, quantity, SENSOR, T0 + (first + n) * STEP_US, value)
                for n, value in enumerate(column)
            ]


def registry_url() -> str:
    """A registry of its own with the tank, its alkalinity and animals with a range."""
    from service.registry.models.tank import Stock, Tank
    from service.registry.registry import open_registry

    folder = tempfile.mkdtemp(prefix="littoral-bench-")
    atexit.register(shutil.rmtree, folder, ignore_errors=True)
    url = f"sqlite:///{folder}/registry.db"
    registry = open_registry(url)
    animals = Stock("Invented species", 10, temperature_low_c=LOW_C, temperature_high_c=HIGH_C)
    registry.put_tank(
        Tank(
            TANK,
            "Quarry pool (invented)",
            net_volume_l=180.0,
            kh_meq_l=1.43,
            kh_tested=START.date(),
            animals=(animals,),
        )
    )
    registry.close()
    return url


def ready(url: str) -> Store:
    """The store, once the check of a large file at the start has ended; it is not timed."""
    store = open_store(url)
    if isinstance(store, SqliteStore):
        store.checked.wait()
    return store


def through_api(url: str, path: str) -> Callable[[], Any]:
    """The API's answer, in this process, without the network."""
    from service.app.app_factory import create_app
    from service.app.application import Application
    from service.config.values import Config
    from service.registry.registry import open_registry

    application = Application(Config(), FixedClock(END), ready(url), open_registry(registry_url()))
    client = create_app(application).test_client()

    def ask() -> Any:
        answer = client.get(path)
        assert answer.status_code == 200, answer.get_json()
        found = answer.get_json()
        return len(found.get("points", found.get("excursions", ())))

    return ask


def raw_by_sqlite3(url: str, quantities: tuple[str, ...]) -> Callable[[], Any]:
    """Plain sqlite3: fetch all rows of the quantities, of a table with one row for a reading."""
    folder = tempfile.mkdtemp(prefix="littoral-bench-")
    atexit.register(shutil.rmtree, folder, ignore_errors=True)
    db = sqlite3.connect(f"{folder}/plain.db")
    db.execute(
        "CREATE TABLE reading (quantity TEXT, time INTEGER, value REAL, flags INTEGER, "
        "PRIMARY KEY (quantity, time)) WITHOUT ROWID"
    )
    store = ready(url)
    for quantity in quantities:
        found = store.read(SeriesKey(TANK, quantity, SENSOR), T0, T1, flagged=True)
        columns = (found.time_us.tolist(), found.value.tolist(), found.flags.tolist())
        rows = ((quantity, *row) for row in zip(*columns, strict=True))
        db.executemany("INSERT INTO reading VALUES (?, ?, ?, ?)", rows)
    db.commit()

    def ask() -> Any:
        count = 0
        for quantity in quantities:
            rows = db.execute(
                "SELECT time, value FROM reading WHERE quantity = ? ORDER BY time", (quantity,)
            ).fetchall()
            count += len(rows)
        return count

    return ask


def influx_directly(url: str, question: str) -> Callable[[], Any]:
    """The same question by InfluxQL alone."""
    host, _, database = url.removeprefix("influx://").partition("/")

    def query(text: str) -> Any:
        params = {"db": database, "epoch": "u", "q": text}
        answer = requests.get(f"http://{host}/query", params=params, timeout=120)
        series = answer.json()["results"][0].get("series", [])
        return sum(len(one["values"]) for one in series)

    span = f"time >= {T0}u AND time < {T1}u"

    def ask() -> Any:
        if question == "excursions":
            return query(
                f'SELECT "value" FROM "reading" WHERE "quantity" = \'temperature\' AND {span} '
                f'AND ("value" > {HIGH_C} OR "value" < {LOW_C})'
            )
        return [
            query(
                f'SELECT mean("value") FROM "reading" WHERE "quantity" = \'{quantity}\' AND {span} '
                "GROUP BY time(9h)"
            )
            for quantity in ("ph", "temperature")
        ]

    return ask


def victoriametrics_directly(url: str, question: str) -> Callable[[], Any]:
    """The same question by MetricsQL alone; the excursions by exporting the readings outside."""
    base = url.replace("victoriametrics://", "http://")

    def ask() -> Any:
        if question == "excursions":
            chosen = 'reading_value{quantity="temperature"}'
            params = {"match[]": chosen, "start": T0 / 1e6, "end": T1 / 1e6}
            answer = requests.get(f"{base}/api/v1/export", params=params, timeout=120)
            column = np.concatenate(
                [np.array(json.loads(line)["values"]) for line in answer.text.splitlines()]
            )
            return int(((column > HIGH_C) | (column < LOW_C)).sum())
        counts = []
        for quantity in ("ph", "temperature"):
            params = {
                "query": f'avg_over_time(reading_value{{quantity="{quantity}"}}[9h])',
                "start": T0 / 1e6,
                "end": T1 / 1e6,
                "step": "9h",
                "nocache": "1",
            }
            answer = requests.get(f"{base}/api/v1/query_range", params=params, timeout=120)
            counts.append(len(answer.json()["data"]["result"][0]["values"]))
        return counts

    return ask


def small_questions(url: str, question: str) -> Callable[[], Any]:
    """What each question about the present asks of the store."""
    store = ready(url)
    key = SeriesKey(TANK, "temperature", SENSOR)
    if question == "series":
        return lambda: len(store.series(TANK))
    if question == "latest":
        return lambda: store.latest(key) is not None
    if question == "all":
        return lambda: len(store.read(key, T0, T1))
    return lambda: len(store.aggregate(key, T1 - 8 * 86_400_000_000, T1, 60_000_000))


def question_of(url: str, name: str) -> Callable[[], Any]:
    """What to time."""
    if name.startswith("api-"):
        return through_api(url, SERIES_PATH if name == "api-series" else EXCURSIONS_PATH)
    if name.startswith("plain-"):
        wanted = ("ph", "temperature") if name == "plain-series" else ("temperature",)
        return raw_by_sqlite3(url, wanted)
    if name.startswith("store-"):
        return small_questions(url, name.removeprefix("store-"))
    direct = influx_directly if url.startswith("influx") else victoriametrics_directly
    return direct(url, name.removeprefix("direct-"))


def resident_mb() -> float:
    """Resident memory of this process now."""
    status = Path("/proc/self/status").read_text().splitlines()
    return int(next(line for line in status if line.startswith("VmRSS")).split()[1]) / 1024


def processor_s(pid: int | None) -> float:
    """Processor time of this process, and of the server."""
    return time.process_time() + (0.0 if pid is None else server_s(pid))


def server_s(pid: int) -> float:
    """Processor time of another process."""
    fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def main() -> None:
    """Time one question."""
    url, name = sys.argv[1:3]
    pid = int(sys.argv[3]) if len(sys.argv) > 3 else None
    ask = question_of(url, name)
    before_mb = resident_mb()
    took_ms, processor_ms, answer = [], [], None
    for _ in range(REPEATS):
        start, used = time.perf_counter(), processor_s(pid)
        answer = ask()
        took_ms.append((time.perf_counter() - start) * 1000)
        processor_ms.append((processor_s(pid) - used) * 1000)
    result = {"ms": took_ms, "cpu_ms": processor_ms, "before_mb": before_mb, "mb": resident_mb()}
    print(json.dumps(result | {"answer": answer}))


if __name__ == "__main__":
    main()
