"""VictoriaMetrics: import and newest value, each beside the same asked of the server plainly.

    python -m tests.bench.victoriametrics [--readings 900000] [--rounds 3]

The plain import sends lines that are ready made; the plain question is the server's own
``last_over_time``. Processor time is of this process and the server together. See
docs/performance.md.
"""

from __future__ import annotations

import argparse
import statistics
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import NamedTuple

import requests

from service.store import Reading, SeriesKey, Store, open_store
from tests.bench import store_year
from tests.bench.store_year import SENSOR, TANK
from tests.servers import HOST, Victoriametrics

_ASKED = 20
KEY = SeriesKey(TANK, "temperature", SENSOR)


class Cost(NamedTuple):
    """Seconds that something took: by the clock, and of processors."""

    wall_s: float
    processor_s: float


def cost(pid: int, what: Callable[[], object]) -> Cost:
    """What a call costs here and in the server."""
    start, used = time.perf_counter(), store_year.processor_s(pid)
    what()
    return Cost(time.perf_counter() - start, store_year.processor_s(pid) - used)


def plain_bodies(batches: list[list[Reading]]) -> list[bytes]:
    """The batches as lines of another tank, ready to send."""
    return [
        "\n".join(
            f"reading,tank=plain,quantity={r.quantity},sensor={r.sensor} value={r.value!r} "
            f"{r.time_us}000"
            for r in batch
        ).encode()
        for batch in batches
    ]


def shown(store: Store) -> int:
    """How many readings another reader sees of the series that are there."""
    extents = [store.extent(info.key) for info in store.series(TANK)]
    return sum(extent.count for extent in extents if extent is not None)


def imports(server: Victoriametrics, readings: int, rounds: int) -> None:
    """Import the same readings in each round, and check that the server shows all of them."""
    batches = list(store_year.batches(readings))
    bodies = plain_bodies(batches)
    session = requests.Session()
    own, plain = [], []
    assert server.pid is not None
    for _ in range(rounds):
        # A tank that is deleted is imported anew: else its readings would be there already.
        url = f"victoriametrics://{HOST}:{server.port}"
        store = open_store(url)
        store.delete_tank(TANK)

        def write(store: Store = store) -> None:
            for batch in batches:
                store.write(batch)

        def send() -> None:
            for body in bodies:
                session.post(f"{server.url}/write", data=body, timeout=60).raise_for_status()

        own.append(cost(server.pid, write))
        store.close()
        plain.append(cost(server.pid, send))
        time.sleep(2)  # until the server shows the last points
        again = open_store(url)
        found = shown(again)
        again.close()
        assert found == sum(map(len, batches)), found
    print(f"Import of {readings} readings, medians of {rounds}")
    tell("lines ready made, one by one", plain, readings)
    tell("VictoriametricsStore.write", own, readings)
    ratio = _median(own, 1) / _median(plain, 1)
    print(f"  processor time: {ratio:.2f} of the plain import\n")


def _median(costs: list[Cost], part: int) -> float:
    return statistics.median(one[part] for one in costs)


def tell(name: str, costs: list[Cost], count: int) -> None:
    """Print the rates of an import."""
    wall, used = _median(costs, 0), _median(costs, 1)
    print(f"  {name:32} {count / wall:10,.0f} readings/s, {count / used:10,.0f}/processor s")


def questions(server: Victoriametrics) -> None:
    """The newest value of a series that fell silent, and of one that did not."""
    url = f"victoriametrics://{HOST}:{server.port}"
    now_us = time.time_ns() // 1000
    live = SeriesKey(TANK, "temperature", "live")
    store = open_store(url)
    live_values = [
        Reading(*_names(live), now_us - n * 10_000_000, 24.0 + n % 7 / 10) for n in range(8640)
    ]
    store.write(live_values)
    time.sleep(3)
    store.close()
    for name, key in (("silent since 2025", KEY), ("live, each 10 s", live)):
        selector = (
            f'reading_value{{tank="{key.tank}",quantity="{key.quantity}",sensor="{key.sensor}"}}'
        )
        session = requests.Session()

        def plainly(session: requests.Session = session, selector: str = selector) -> None:
            params = {"query": f"last_over_time({selector}[26y])", "nocache": "1"}
            answer = session.get(f"{server.url}/api/v1/query", params=params, timeout=60)
            assert len(answer.json()["data"]["result"]) == 1

        other = open_store(url)

        def newest(other: Store = other, key: SeriesKey = key) -> None:
            assert other.latest(key) is not None

        def series(other: Store = other) -> None:
            assert other.series(TANK)

        assert server.pid is not None
        print(f"A series that is {name}, medians of {_ASKED}")
        for label, ask in (
            ("the server's last_over_time", plainly),
            ("store.latest", newest),
            ("store.series", series),
        ):
            costs = [cost(server.pid, ask) for _ in range(_ASKED)]
            used_ms = 1000 * sum(one.processor_s for one in costs) / _ASKED
            print(
                f"  {label:32} {1000 * _median(costs, 0):7.1f} ms by the clock, first "
                f"{1000 * costs[0].wall_s:7.1f} ms, mean {used_ms:7.1f} ms processor"
            )
        other.close()


def _names(key: SeriesKey) -> tuple[str, str, str]:
    return key.tank, key.quantity, key.sensor


def main() -> None:
    """Run both."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--readings", type=int, default=900_000)
    parser.add_argument("--rounds", type=int, default=3)
    arguments = parser.parse_args()
    with tempfile.TemporaryDirectory(prefix="littoral-bench-") as folder:
        server = Victoriametrics(Path(folder) / "server")
        try:
            server.start()
            imports(server, arguments.readings, arguments.rounds)
            questions(server)
        finally:
            server.stop()


if __name__ == "__main__":
    main()
