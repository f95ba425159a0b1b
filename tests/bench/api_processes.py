"""Answers a second and processor time of the API, with its registry in PostgreSQL and in SQLite.

    python -m tests.bench.api_processes [--seconds 8] [--clients 8] [--tanks 1000]

One and two processes of ``littoral serve`` on one registry and one store (SQLite): the second on a
port of its own, as behind a balancer. Asked as fast as they can: the CO2 of a tank, the tank, its
recommendations, the first page of tanks, and beside them ``/healthz``, which does no work.
Processor time of the API's processes, and of PostgreSQL's, for each answer.
"""

from __future__ import annotations

import argparse
import contextlib
import functools
import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import requests

from service.registry.models.log import LogKind
from service.registry.registry import open_registry
from service.store import Reading, open_store
from tests.bench.co2_now import CLIENTS
from tests.bench.store_year import server_s
from tests.derive.pieces import a_tank, days_of
from tests.servers import HOST, Postgresql, Server, wait_until

#: Tanks with readings, which are asked for in turn.
_WITH_READINGS = 20
_DAYS = 8
QUESTIONS = {
    "GET /healthz": "/healthz",
    "GET /v1/tanks/{tank}/co2": "/v1/tanks/{tank}/co2",
    "GET /v1/tanks/{tank}": "/v1/tanks/{tank}",
    "GET /v1/tanks/{tank}/recommendations": "/v1/tanks/{tank}/recommendations",
    "GET /v1/tanks": "/v1/tanks",
}


class Api(Server):
    """One ``littoral serve``."""

    name = "serve"

    def __init__(self, folder: Path, registry: str, store: str) -> None:
        super().__init__(folder)
        self._config = folder / "littoral.toml"
        self._config.write_text(
            f'[store]\nurl = "{store}"\n[registry]\nurl = "{registry}"\n'
            f'[mqtt]\nurl = "mqtt://{HOST}:1"\n[ingest]\nspool_path = "{folder}/spool.db"\n'
            f"[advice]\nevery_s = 86400\npublish = false\n[http]\nport = {self.port}\n"
        )

    def command(self) -> Sequence[str]:
        """See ``Server``."""
        return [sys.executable, "-m", "service", "serve", "--config", str(self._config)]

    def ready(self) -> bool:
        """See ``Server``."""
        return requests.get(f"http://{HOST}:{self.port}/healthz", timeout=2).ok


def fill(registry_url: str, store_url: str, tanks: int) -> None:
    """Tanks with a log; some of them with days of readings up to now."""
    registry, store, now = open_registry(registry_url), open_store(store_url), datetime.now(UTC)
    for number in range(tanks):
        registry.put_tank(replace(a_tank(id=f"tank-{number}"), name=f"Tank {number}"))
    for number in range(_WITH_READINGS):
        tank = f"tank-{number}"
        for quantity, one in days_of(now, days=_DAYS).items():
            pairs = zip(one.time_us.tolist(), one.value.tolist(), strict=True)
            store.write([Reading(tank, quantity, "s", at, value) for at, value in pairs])
        for week in range(10):
            at = now - timedelta(weeks=week, hours=1)
            registry.add_log(tank, LogKind.WATER_CHANGE, at, {"fraction": 0.5})
            registry.add_log(tank, LogKind.KH_TEST, at, {"kh_meq_l": 1.43})
    store.close()
    registry.close()


@dataclass
class Setup:
    """What runs."""

    apis: list[Api]
    database: Postgresql | None

    def used_s(self) -> tuple[float, float]:
        """Processor seconds so far: of the API's processes, and of the database's."""
        database_s = 0.0
        if self.database is not None:
            database_s = family_s(self.database.pid)
        return sum(server_s(api.pid) for api in self.apis), database_s


def family_s(pid: int) -> float:
    """Processor seconds of a process, its children, and those of its children that have ended."""
    children = Path(f"/proc/{pid}/task/{pid}/children").read_text().split()
    fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    ended_s = (int(fields[13]) + int(fields[14])) / os.sysconf("SC_CLK_TCK")
    return ended_s + sum(server_s(one) for one in (pid, *map(int, children)))


@contextlib.contextmanager
def setup(kind: str, processes: int, tanks: int) -> Iterator[Setup]:
    """So many processes of the API, at rest after their first evaluation."""
    with contextlib.ExitStack() as stack:
        folder = Path(stack.enter_context(tempfile.TemporaryDirectory()))
        database, registry = None, f"sqlite:///{folder}/registry.db"
        if kind == "PostgreSQL":
            place = stack.enter_context(tempfile.TemporaryDirectory())
            database = Postgresql(Path(place))
            stack.callback(database.stop)
            database.start()
            registry = database.url
        store = f"sqlite:///{folder}/readings.db"
        fill(registry, store, tanks)
        apis = [Api(folder / f"api-{number}", registry, store) for number in range(processes)]
        made = Setup(apis, database)
        for api in apis:
            stack.callback(api.stop)
            api.start(300)
            wait_until(functools.partial(_at_rest, api), 600)
        yield made


def _at_rest(api: Api) -> bool:
    before = server_s(api.pid)
    time.sleep(2)
    return server_s(api.pid) - before < 0.1


def measured(made: Setup, paths: str, seconds: float, clients: int) -> str:
    """Ask all processes at once; answers a second and what each took."""
    api_s, database_s = made.used_s()
    each = str(clients // len(made.apis))
    asked = []
    for api in made.apis:
        words = [str(api.port), paths, str(seconds), each, "0"]
        command = [sys.executable, "-c", CLIENTS, *words]
        asked.append(subprocess.Popen(command, stdout=subprocess.PIPE, text=True))
    found = [list(map(float, one.communicate()[0].split())) for one in asked]
    count = sum(one[0] for one in found)
    api_after_s, database_after_s = made.used_s()
    return (
        f"{count / seconds:6.0f} answers/s, p50 {max(one[1] for one in found):6.1f} ms, "
        f"p99 {max(one[2] for one in found):6.1f} ms; processor ms for each: "
        f"API {1e3 * (api_after_s - api_s) / count:.2f}, "
        f"database {1e3 * (database_after_s - database_s) / count:.2f}"
    )


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seconds", type=float, default=8.0)
    parser.add_argument("--clients", type=int, default=8)
    parser.add_argument("--tanks", type=int, default=1000)
    parser.add_argument("--processes", type=int, nargs="*", default=[1, 2])
    parser.add_argument("--registries", nargs="*", default=["SQLite", "PostgreSQL"])
    given = parser.parse_args()
    for kind in given.registries:
        for processes in given.processes:
            with setup(kind, processes, given.tanks) as made:
                print(f"registry in {kind}, {given.tanks:,} tanks, {processes} processes")
                for name, path in QUESTIONS.items():
                    paths = ",".join(path.format(tank=f"tank-{n}") for n in range(_WITH_READINGS))
                    figures = measured(made, paths, given.seconds, given.clients)
                    print(f"  {name:40} {figures}", flush=True)


if __name__ == "__main__":
    main()
