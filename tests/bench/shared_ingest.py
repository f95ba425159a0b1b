"""Several ingesters that share one MQTT 5 subscription: throughput, processor time, and a kill.

    python -m tests.bench.shared_ingest [--ingesters 1 2 4] [--messages 40000]
        [--store victoriametrics] [--seconds 30]

Everything is on loopback and of its own process: mosquitto, ``mosquitto_pub`` (QoS 1, JSON with a
time, 100 tanks), the store's server where there is one, and ``littoral ingest``. Throughput is
from the first to the last stored message, published as fast as the broker takes it; it ends
where the cores end, so processor time for each message is what holds for a larger machine.

Then two ingesters share a steady load, and one is killed (``kill -9``) and started again after
ten seconds: how many acknowledged messages waited for it, and how many were lost.
"""

from __future__ import annotations

import argparse
import contextlib
import resource
import sqlite3
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import requests

from service.registry.models.tank import Tank
from service.registry.registry import Registry, open_registry
from service.store import SeriesKey, open_store
from service.times import stored_moment
from tests.bench.broker_kill import Publisher
from tests.bench.store_year import server_s
from tests.servers import HOST, Mosquitto, Server, Victoriametrics, program, wait_until

TANKS = 100
#: Publishers that send at the same time.
_AT_ONCE = 20
_PATIENCE_S = 300.0
#: The steady load, and how long one ingester is away.
_RATE, _AWAY_S = 500.0, 10.0


class Ingester(Server):
    """One ``littoral ingest``."""

    name = "ingest"

    def __init__(self, folder: Path, number: int, broker: Mosquitto, store: str) -> None:
        super().__init__(folder / f"ingest-{number}")
        self.client_id = f"ingester-{number}"
        self._config = self.folder / "littoral.toml"
        self._registry = folder / "registry.db"
        self._config.write_text(
            f'[store]\nurl = "{store}"\n[registry]\nurl = "sqlite:///{self._registry}"\n'
            f'[mqtt]\nurl = "{broker.url}"\nclient_id = "{self.client_id}"\n'
            # The last few must not wait for a minute: they would be taken for lost.
            f'[ingest]\nbatch_age_s = 1.0\nshared_group = "littoral"\n'
            f'spool_path = "{self.folder}/spool.db"\n'
        )

    def command(self) -> Sequence[str]:
        """See ``Server``."""
        return [sys.executable, "-m", "service", "ingest", "--config", str(self._config)]

    def ready(self) -> bool:
        """See ``Server``; whether it has subscribed is asked of the registry."""
        return True

    @property
    def peak_mb(self) -> float:
        """The most memory that it has held."""
        status = Path(f"/proc/{self.pid}/status").read_text()
        kb = next(line.split()[1] for line in status.splitlines() if line.startswith("VmHWM"))
        return int(kb) / 1000


@dataclass
class Setup:
    """Broker, store and ingesters, started."""

    folder: Path
    broker: Mosquitto
    store: Victoriametrics | None
    url: str
    ingesters: list[Ingester]
    registry: Registry

    def wait_subscribed(self, ingester: Ingester) -> None:
        """Wait until an ingester that was just started says that it has subscribed."""
        name, start_s = f"ingest:{ingester.client_id}", time.time()

        def subscribed() -> bool:
            status = self.registry.statuses().get(name, {})
            time.sleep(0.1)
            return bool(status.get("subscribed")) and _time_s(status) > start_s

        wait_until(subscribed, _PATIENCE_S)

    def stored(self) -> int:
        """How many readings the store has taken; cheap."""
        if self.store is None:
            path = self.url.removeprefix("sqlite:///")
            with contextlib.closing(sqlite3.connect(path)) as database:
                return int(
                    database.execute("SELECT coalesce(sum(readings), 0) FROM series").fetchone()[0]
                )
        lines = requests.get(f"{self.store.url}/metrics", timeout=10).text.splitlines()
        name = 'vm_rows_inserted_total{type="influx"} '
        return sum(int(float(line.split()[-1])) for line in lines if line.startswith(name))

    def numbers(self, tank: str) -> set[int]:
        """The numbers that are stored of a tank."""
        if self.store is not None:
            requests.get(f"{self.store.url}/internal/force_flush", timeout=60)
        with contextlib.closing(open_store(self.url)) as store:
            found = store.read(SeriesKey(tank, "illuminance", "main"), 0, 1 << 62, flagged=True)
        return {int(value) for value in found.value}


def _time_s(status: dict[str, object]) -> float:
    moment = stored_moment(status.get("time"))
    return 0.0 if moment is None else moment.timestamp()


@contextlib.contextmanager
def setup(kind: str, count: int) -> Iterator[Setup]:
    """So many ingesters, subscribed."""
    with tempfile.TemporaryDirectory() as place, contextlib.ExitStack() as stack:
        folder = Path(place)
        broker = Mosquitto(folder / "broker", "max_inflight_messages 5000\n")
        stack.callback(broker.stop)
        broker.start(_PATIENCE_S)
        store, url = None, f"sqlite:///{folder}/readings.db"
        if kind == "victoriametrics":
            store = Victoriametrics(folder / "store")
            stack.callback(store.stop)
            store.start(_PATIENCE_S)
            url = f"victoriametrics://{HOST}:{store.port}"
        registry = open_registry(f"sqlite:///{folder}/registry.db")
        stack.callback(registry.close)
        for number in range(TANKS):
            registry.put_tank(Tank(f"tank-{number}", f"Tank {number}"))
        open_store(url).close()
        ingesters = [Ingester(folder, number, broker, url) for number in range(count)]
        made = Setup(folder, broker, store, url, ingesters, registry)
        for ingester in ingesters:
            stack.callback(ingester.stop)
            ingester.start(_PATIENCE_S)
        for ingester in ingesters:
            made.wait_subscribed(ingester)
        yield made


def publish_all(port: int, count: int) -> float:
    """Publish to 100 tanks as fast as the broker takes it; processor seconds of the publishers."""
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    each, now_us = count // TANKS, time.time_ns() // 1000
    lines = [
        f'{{"value":{number},"time":{now_us - 10_000 * (each - number)}}}\n'
        for number in range(each)
    ]
    text = "".join(lines).encode()
    for first in range(0, TANKS, _AT_ONCE):
        senders = []
        for number in range(first, first + _AT_ONCE):
            topic = f"littoral/tank-{number}/illuminance"
            words = ["-h", HOST, "-p", str(port), "-q", "1", "-t", topic, "-l"]
            senders.append(
                subprocess.Popen([program("mosquitto_pub"), *words], stdin=subprocess.PIPE)
            )
        for sender in senders:
            assert sender.stdin is not None
            sender.stdin.write(text)
            sender.stdin.close()
        for sender in senders:
            sender.wait()
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    return after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime


def throughput(kind: str, count: int, messages: int) -> None:
    """Measure one number of ingesters and print a line."""
    with setup(kind, count) as made:
        servers: list[Server] = [made.broker, *made.ingesters]
        servers += [made.store] if made.store is not None else []
        used = {server: server_s(server.pid) for server in servers}
        before, start_s = made.stored(), time.monotonic()
        publishers_s = publish_all(made.broker.port, messages)
        published_s = time.monotonic() - start_s
        wanted = before + messages
        wait_until(lambda: _reached(made, wanted), _PATIENCE_S)
        took_s = time.monotonic() - start_s
        spent = {server: server_s(server.pid) - used[server] for server in servers}
        ingest_s = sum(spent[one] for one in made.ingesters)
        parts = {
            "ingesters": ingest_s,
            "broker": spent[made.broker],
            "publishers": publishers_s,
            "store's server": spent[made.store] if made.store is not None else 0.0,
        }
        each = ", ".join(f"{name} {s / messages * 1e6:.0f}" for name, s in parts.items())
        shares = ", ".join(f"{spent[one] / ingest_s:.0%}" for one in made.ingesters)
        peak = max(one.peak_mb for one in made.ingesters)
        print(
            f"{kind}, {count} ingesters: {messages / took_s:,.0f} messages/s stored "
            f"(published at {messages / published_s:,.0f}/s); us of processor time for each "
            f"message: {each}; the ingesters' shares {shares}; peak {peak:.0f} MB",
            flush=True,
        )


def _reached(made: Setup, wanted: int) -> bool:
    time.sleep(0.1)  # to ask is work too
    return made.stored() >= wanted


def kill(kind: str, seconds: float) -> None:
    """Kill one of two under a steady load and print what became of the messages."""
    with setup(kind, 2) as made:
        start_us, step_us = time.time_ns() // 1000, int(1e6 / _RATE)
        boards = Publisher(  # each has a millisecond of its own: the store keeps one for each
            made.broker.port,
            "littoral/tank-0/illuminance",
            lambda n: f'{{"value":{n},"time":{start_us + n * step_us}}}',
        )
        boards.send(int(seconds / 3 * _RATE), _RATE)
        made.ingesters[0].kill()
        killed_at = boards.count
        boards.send(int(_AWAY_S * _RATE), _RATE)
        boards.wait()
        time.sleep(4)  # until the other has stored what it has
        waiting = boards.acknowledged - made.numbers("tank-0")
        made.ingesters[0].start(_PATIENCE_S)
        back_s = time.monotonic()
        made.wait_subscribed(made.ingesters[0])
        subscribed_s = time.monotonic() - back_s
        boards.send(int(seconds / 3 * _RATE), _RATE)
        boards.wait()
        _wait_complete(made, boards)
        found = made.numbers("tank-0")
        lost = boards.acknowledged - found
        before = sum(number < killed_at for number in waiting)
        print(
            f"{kind}, one of two killed for {_AWAY_S:.0f} s at {_RATE:.0f} messages/s: "
            f"{boards.count:,} acknowledged; when it came back {len(waiting):,} waited for it "
            f"({before:,} from before the kill, {len(waiting) - before:,} of "
            f"{int(_AWAY_S * _RATE):,} published meanwhile), subscribed {subscribed_s:.1f} s after "
            f"its start; lost {len(lost):,}",
            flush=True,
        )
        boards.close()


def _wait_complete(made: Setup, boards: Publisher) -> None:
    """Until all is stored, or nothing more has come for half a minute."""
    last, still = -1, 0
    while still < 30:
        found = len(made.numbers("tank-0") & boards.acknowledged)
        if found == len(boards.acknowledged):
            return
        still = still + 1 if found == last else 0
        last = found
        time.sleep(1)


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--ingesters", type=int, nargs="*", default=[1, 2, 4])
    parser.add_argument("--messages", type=int, default=40_000)
    parser.add_argument("--store", choices=["victoriametrics", "sqlite"], default="victoriametrics")
    parser.add_argument("--seconds", type=float, default=30.0, help="of steady load around a kill")
    given = parser.parse_args()
    for count in given.ingesters:
        throughput(given.store, count, given.messages)
    if given.seconds:
        kill(given.store, given.seconds)


if __name__ == "__main__":
    main()
