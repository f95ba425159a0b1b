"""Time pages of ``GET /v1/tanks`` of a large registry: the first, one in the middle, the last.

Run: python -m tests.bench.tank_pages [TANKS] [postgresql]
Fills a registry with invented tanks, 100,000 unless said otherwise, in SQLite or in a PostgreSQL of
its own, and asks the service's application for pages of 100 and of 1,000 tanks, without a network.
Printed is the median of 15 in processor time of this process and by the clock, each also as a ratio
to the first page; beside it the same page by offset, for comparison, of the database alone.
"""

from __future__ import annotations

import statistics
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

from sqlalchemy import insert, select, text

from service.api.app import create_api
from service.app.application import Application
from service.clock import SystemClock
from service.config import Config
from service.registry.documents import to_document
from service.registry.models.tank import Tank
from service.registry.registry import Registry, open_registry
from service.registry.repositories.tanks import tanks_query
from service.registry.tables.tanks import TankRow
from service.store.sqlite.store import SqliteStore
from tests.servers import Postgresql

TANKS = 100_000
AGAIN = 15


def main() -> None:
    """Fill, ask, print."""
    arguments = sys.argv[1:]
    on_server = "postgresql" in arguments
    count = next((int(one) for one in arguments if one.isdigit()), TANKS)
    with tempfile.TemporaryDirectory() as folder, _registry(Path(folder), on_server) as registry:
        _fill(registry, count)
        store = SqliteStore(Path(folder) / "readings.db")
        app = create_api(Application(Config(), SystemClock(), store, registry))
        client = app.test_client()
        where = {"first": None, "middle": _id(count // 2), "last": _id(count - 1_001)}
        print(f"{count} tanks, {registry.engine.dialect.name}, median of {AGAIN}")
        for limit in (100, 1_000):
            first: tuple[float, float] | None = None
            for name, after in where.items():
                address = f"/v1/tanks?limit={limit}" + (f"&after={after}" if after else "")
                clock_ms, cpu_ms = _timed(lambda address=address: client.get(address).data)
                first = first or (clock_ms, cpu_ms)
                ratios = clock_ms / first[0], cpu_ms / first[1]
                print(
                    f"  {name:6} page of {limit:5}: {clock_ms:6.1f} ms (x {ratios[0]:.2f}), "
                    f"processor {cpu_ms:6.1f} ms (x {ratios[1]:.2f})"
                )
        _compare(registry, count, where)
        store.close()


def _compare(registry: Registry, count: int, where: dict[str, str | None]) -> None:
    """Print the database's own time for the same page by key and by offset."""
    skipped = {"first": 0, "middle": count // 2, "last": count - 1_000}
    for name, after in where.items():
        by_key = tanks_query(after, 100)
        by_offset = select(TankRow.document).order_by(TankRow.id).limit(100).offset(skipped[name])

        def ask(query: object) -> Callable[[], object]:
            def run() -> object:
                with registry.session(writes=False) as session:
                    return session.scalars(query).all()  # type: ignore[call-overload]

            return run

        key_ms, offset_ms = _timed(ask(by_key))[0], _timed(ask(by_offset))[0]
        print(f"  {name:6} 100 rows: by key {key_ms:.2f} ms, by offset {offset_ms:.2f} ms")


def _timed(run: Callable[[], object]) -> tuple[float, float]:
    """Medians by the clock and of the processor, ms."""
    run()
    clock, cpu = [], []
    for _ in range(AGAIN):
        began, began_cpu = time.perf_counter(), time.process_time()
        run()
        clock.append(time.perf_counter() - began)
        cpu.append(time.process_time() - began_cpu)
    return statistics.median(clock) * 1e3, statistics.median(cpu) * 1e3


def _fill(registry: Registry, count: int) -> None:
    with registry.session(writes="bookkeeping") as session:
        for first in range(0, count, 5_000):
            some = [_row(number) for number in range(first, min(first + 5_000, count))]
            session.execute(insert(TankRow), some)
    with registry.session(writes="bookkeeping") as session:
        session.execute(text("ANALYZE"))


def _row(number: int) -> dict[str, object]:
    tank = Tank(_id(number), f"Invented tank {number}")
    return {"id": tank.id, "name": tank.name, "document": to_document(tank), "version": "1"}


def _id(number: int) -> str:
    return f"tank-{number:06}"


@contextmanager
def _registry(folder: Path, on_server: bool) -> Iterator[Registry]:
    if not on_server:
        registry = open_registry(f"sqlite:///{folder}/registry.db")
        yield registry
        registry.close()
        return
    # Its user cannot enter our folder.
    with tempfile.TemporaryDirectory(prefix="littoral-postgresql-") as own:
        server = Postgresql(Path(own))
        server.start()
        try:
            registry = open_registry(server.url)
            yield registry
            registry.close()
        finally:
            server.stop()


if __name__ == "__main__":
    main()
