"""Soak: everything runs under load, and one part after another is killed at random (``kill -9``).

    python -m tests.bench.soak [--minutes 60] [--every 20] [--rate 15] [--folder DIR]
        [--store-away 0]

Broker (mosquitto as shipped: each change is saved), store, ``littoral ingest`` and ``littoral
serve`` run as processes of their own. Three boards publish at QoS 1: one with device times, one
with sequence numbers, one bare numbers. Printed: what was killed and the memory of both processes,
each minute; at the end what was sent, acknowledged by the broker, stored, lost (acknowledged and
not stored) and doubled. A board that sends bare numbers may double: nothing tells its messages
apart.
"""

from __future__ import annotations

import argparse
import contextlib
import json
import random
import sys
import tempfile
import threading
import time
from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import requests

from service.errors import LittoralError
from service.registry.models.tank import Tank
from service.registry.registry import Registry, open_registry
from service.store import SeriesKey, Store, open_store
from tests.bench.broker_kill import Publisher
from tests.servers import HOST, Influxdb, Mosquitto, Server, Victoriametrics, wait_until

#: Kinds of boards: tank -> payload of the n-th message.
BOARDS: Mapping[str, Callable[[int], str]] = {
    "timed": lambda n: json.dumps({"value": n, "time": time.time_ns() // 1000}),
    "numbered": lambda n: json.dumps({"value": n, "sequence": n}),
    "bare": str,
}
#: How long a last message of a board may take through broker, spool and store, s; and how often
#: one is sent, as the broker may have lost it.
_DELIVERED_S, _LAST_MESSAGES = 120.0, 5
_SPOOLED = ("readings", "rejections")
#: How long a part may take to start on a machine with other work, s.
_PATIENCE_S = 300.0


class Littoral(Server):
    """One of Littoral's own processes."""

    def __init__(self, folder: Path, command: str, config: Path, port: int | None) -> None:
        super().__init__(folder / command)
        self.name, self._config, self._http = command, config, port

    def command(self) -> Sequence[str]:
        """See ``Server``."""
        return [sys.executable, "-m", "service", self.name, "--config", str(self._config)]

    def ready(self) -> bool:
        """See ``Server``; the ingester is ready when it can be."""
        return (
            self._http is None or requests.get(f"http://{HOST}:{self._http}/healthz", timeout=2).ok
        )

    @property
    def memory_mb(self) -> float:
        """What it holds now."""
        status = Path(f"/proc/{self.pid}/status").read_text()
        kb = next(line.split()[1] for line in status.splitlines() if line.startswith("VmRSS"))
        return int(kb) / 1000


@dataclass
class Setup:
    """All parts, started."""

    parts: dict[str, Server]
    registry: Registry
    store: Store
    publishers: dict[str, Publisher]

    @property
    def littoral(self) -> list[Littoral]:
        return [part for part in self.parts.values() if isinstance(part, Littoral)]


def started(folder: Path, store_kind: str) -> Setup:
    """Start everything."""
    broker = Mosquitto(
        folder / "broker",
        f"persistence true\npersistence_location {folder}/broker/\n"
        "autosave_on_changes true\nautosave_interval 1\n",
    )
    parts: dict[str, Server] = {"broker": broker}
    url = f"sqlite:///{folder}/readings.db"
    if store_kind == "influx":
        parts["store"] = Influxdb(folder / "store", data_conf='cache-snapshot-memory-size = "1"')
        url = f"influx://{HOST}:{parts['store'].port}/soak"
    elif store_kind == "victoriametrics":
        parts["store"] = Victoriametrics(folder / "store")
        url = f"victoriametrics://{HOST}:{parts['store'].port}"
    for part in parts.values():
        part.start(_PATIENCE_S)
    http = Server(folder).port
    config = folder / "littoral.toml"
    config.write_text(
        f'[store]\nurl = "{url}"\n[registry]\nurl = "sqlite:///{folder}/registry.db"\n'
        f'[mqtt]\nurl = "{broker.url}"\n[ingest]\nspool_path = "{folder}/spool.db"\n'
        f"batch_age_s = 0.2\n[advice]\nevery_s = 5\n[http]\nport = {http}\n"
    )
    registry = open_registry(f"sqlite:///{folder}/registry.db")
    for tank in BOARDS:
        registry.put_tank(Tank(tank, tank.title()))
    store = open_store(url)
    for command, port in (("ingest", None), ("serve", http)):
        parts[command] = Littoral(folder, command, config, port)
        parts[command].start(_PATIENCE_S)
    while not _status(registry).get("subscribed"):
        time.sleep(0.1)
    publishers = {
        tank: Publisher(broker.port, f"littoral/{tank}/illuminance", payload)
        for tank, payload in BOARDS.items()
    }
    return Setup(parts, registry, store, publishers)


def _status(registry: Registry) -> dict[str, object]:
    return next((s for n, s in registry.statuses().items() if n.startswith("ingest:")), {})


def stored(setup: Setup) -> dict[str, Counter[int]]:
    """How often each number is in the store, by tank."""
    found = {}
    for tank in BOARDS:
        key = SeriesKey(tank, "illuminance", "main")
        samples = setup.store.read(key, 0, 1 << 62, flagged=True)
        found[tank] = Counter(int(value) for value in samples.value.tolist())
    return found


def report(setup: Setup, kills: Counter[str], minutes: float, folder: Path | None = None) -> None:
    """Print how it stands; at the end, where there is a folder, what was lost."""
    memory = ", ".join(f"{one.name} {one.memory_mb:.0f} MB" for one in setup.littoral)
    killed = " ".join(f"{name} {count}" for name, count in sorted(kills.items()))
    print(f"{minutes:5.1f} min  killed: {killed or 'nothing'}  memory: {memory}", flush=True)
    if folder is None:
        return
    for tank, counts in stored(setup).items():
        publisher = setup.publishers[tank]
        missing = sorted(publisher.acknowledged - counts.keys())
        lost = len(missing)
        doubled = sum(counts.values()) - len(counts)
        print(
            f"  {tank:<9}{publisher.count:>8,} sent {len(publisher.acknowledged):>8,} acknowledged "
            f"{len(counts):>8,} stored {lost:>5,} lost {doubled:>5,} doubled",
            flush=True,
        )
        if missing:
            print(
                f"    lost: {', '.join(ranges(missing))} of 0 to {publisher.count - 1}", flush=True
            )
    print(f"  rejections: {setup.registry.rejection_counts()}")
    status = _status(setup.registry)
    print(f"  the ingester's errors: {status.get('errors')}, in the spool: {status.get('spool')}")
    aside = folder / "spool.db.aside"
    print(
        f"  taken aside: {sorted(p.name for p in aside.iterdir()) if aside.exists() else 'nothing'}"
    )


def ranges(numbers: Sequence[int]) -> list[str]:
    """Ascending numbers as their stretches: what was lost together."""
    found: list[list[int]] = []
    for number in numbers:
        if found and number == found[-1][-1] + 1:
            found[-1][1:] = [number]
        else:
            found.append([number])
    return ["-".join(map(str, stretch)) for stretch in found]


def settle(setup: Setup) -> None:
    """Wait until each board's last message is stored: all before it has then come or is lost.

    Broker and spool deliver in order. That nothing comes for a while would say nothing: after an
    outage the ingester waits up to 30 s before it tries again, and starts slowly beside other work.
    """
    for _ in range(_LAST_MESSAGES):
        for publisher in setup.publishers.values():
            publisher.send(1)
            publisher.wait()
        with contextlib.suppress(AssertionError):
            wait_until(lambda: _is_delivered(setup), _DELIVERED_S)
            return
    print(f"  not delivered after {_LAST_MESSAGES * _DELIVERED_S:.0f} s: {_status(setup.registry)}")


def _is_delivered(setup: Setup) -> bool:
    time.sleep(0.5)  # reading all is work for the store
    counts = stored(setup)
    last = all(pub.count - 1 in counts[tank] for tank, pub in setup.publishers.items())
    spool = _status(setup.registry).get("spool")
    return last and isinstance(spool, dict) and not any(spool.get(k) for k in _SPOOLED)


def soak(
    setup: Setup, minutes: float, every_s: float, rate: float, store_away_s: float = 0.0
) -> Counter[str]:
    """Publish and kill for so long; returns what was killed how often.

    Args:
        store_away_s: after each start of the store it is away for so long, and meanwhile the
            ingester alone is killed, so that the spool is long.
    """
    kills: Counter[str] = Counter()
    end_s = time.monotonic() + 60 * minutes
    count = int(60 * minutes * rate)
    senders = [
        threading.Thread(target=publisher.send, args=(count, rate), daemon=True)
        for publisher in setup.publishers.values()
    ]
    for sender in senders:
        sender.start()
    start_s = minute_s = time.monotonic()
    while time.monotonic() < end_s:
        time.sleep(random.expovariate(1 / every_s))
        name = random.choice(list(setup.parts))
        setup.parts[name].kill()
        print(f"  {(time.monotonic() - start_s) / 60:5.2f} min  {name} is killed", flush=True)
        time.sleep(random.uniform(0.0, 3.0))
        if name == "store":
            kills["ingest"] += _fill_spool(setup.parts["ingest"], store_away_s, every_s)
        setup.parts[name].start(_PATIENCE_S)
        kills[name] += 1
        if time.monotonic() - minute_s > 60:
            minute_s = time.monotonic()
            report(setup, kills, (minute_s - start_s) / 60)
    for sender in senders:
        sender.join()
    return kills


def _fill_spool(ingester: Server, seconds: float, every_s: float) -> int:
    """Kill the ingester for so long, again and again; returns how often."""
    kills, end_s = 0, time.monotonic() + seconds
    while time.monotonic() < end_s:
        ingester.kill()
        ingester.start(_PATIENCE_S)
        kills += 1
        time.sleep(random.expovariate(1 / every_s))
    return kills


def main() -> None:
    """Soak and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--minutes", type=float, default=60.0)
    parser.add_argument("--every", type=float, default=20.0, help="seconds between kills, mean")
    parser.add_argument("--rate", type=float, default=15.0, help="messages a second of each board")
    parser.add_argument(
        "--store", choices=["influx", "victoriametrics", "sqlite"], default="influx"
    )
    parser.add_argument(
        "--store-away",
        type=float,
        default=0.0,
        help="seconds that a killed store stays away, while the ingester is killed",
    )
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--folder", type=Path, help="where logs and files stay; else temporary")
    given = parser.parse_args()
    random.seed(given.seed)
    with contextlib.ExitStack() as stack:
        folder = given.folder or stack.enter_context(tempfile.TemporaryDirectory())
        setup = started(Path(folder), given.store)
        try:
            kills = soak(setup, given.minutes, given.every, given.rate, given.store_away)
            settle(setup)
            report(setup, kills, given.minutes, Path(folder))
        finally:
            for publisher in setup.publishers.values():
                publisher.close()
            for part in reversed(setup.parts.values()):
                part.stop()
            with contextlib.suppress(LittoralError):
                setup.store.close()
            setup.registry.close()


if __name__ == "__main__":
    main()
