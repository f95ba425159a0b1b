"""1,000 messages a second from 10,000 tanks, sustained, with the ingester on one core.

    python -m tests.bench.ingest_sustained [--seconds 120] [--rate 1000] [--tanks 10000]

Each message is JSON with its own time, at QoS 1. Lag is from that time to the commit in SQLite
(``synchronous = FULL``), taken of the oldest reading of each batch. Memory is the process's peak.
"""

from __future__ import annotations

import argparse
import json
import os
import resource
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Sequence
from pathlib import Path

import numpy as np

from service.store import Reading, open_store

GOAL_MB = 100
HOST = "127.0.0.1"


class Timed:
    """A store that notes the lag of each batch."""

    def __init__(self, url: str) -> None:
        self._store = open_store(url)
        self.lags_s: list[float] = []
        self.count = 0

    def __getattr__(self, name: str) -> object:
        return getattr(self._store, name)

    def write(self, readings: Sequence[Reading]) -> None:
        self._store.write(readings)
        self.lags_s.append(time.time() - min(r.time_us for r in readings) / 1e6)
        self.count += len(readings)


def register(folder: str, tanks: int) -> None:
    """Fill the registry; in a process of its own, so that its memory is not the ingester's."""
    from service.registry.database.versions import new_version
    from service.registry.documents import to_document
    from service.registry.models.tank import Tank
    from service.registry.registry import open_registry
    from service.registry.tables.tanks import TankRow

    with open_registry(f"sqlite:///{folder}/registry.db").session(writes="bookkeeping") as session:
        for n in range(tanks):
            tank = Tank(f"tank-{n}", f"Tank {n}")
            document, version = to_document(tank), new_version()
            session.add(TankRow(id=tank.id, name=tank.name, document=document, version=version))


def ingest(folder: str, port: int, total: int) -> None:
    """The child: one core, until all has come."""
    os.sched_setaffinity(0, {sorted(os.sched_getaffinity(0))[0]})
    from ingest.app import Ingester
    from service.app.heap import bound_heap, bound_page_caches
    from service.clock import SystemClock
    from service.config import Config, IngestConfig, MqttConfig
    from service.registry.registry import open_registry

    bound_heap()  # as the command does
    bound_page_caches(1_000_000)
    registry = open_registry(f"sqlite:///{folder}/registry.db")
    store = Timed(f"sqlite:///{folder}/readings.db")
    config = Config(
        mqtt=MqttConfig(f"mqtt://{HOST}:{port}", client_id="sustained"),
        # The last few must not wait for a minute, which would be measured too.
        ingest=IngestConfig(spool_path=f"{folder}/spool.db", batch_age_s=1.0),
    )
    stop = threading.Event()
    ingester = Ingester(config, store, registry, SystemClock())  # type: ignore[arg-type]
    start_mb = peak_mb()
    worker = threading.Thread(target=ingester.run, args=(stop,))
    worker.start()
    while not ingester.status()["subscribed"]:
        time.sleep(0.01)
    print("ready", flush=True)
    used_s, start_s = cpu_s(), time.monotonic()
    while store.count < total and time.monotonic() - start_s < 600:
        time.sleep(0.1)
    took_s = time.monotonic() - start_s
    share, most_mb = (cpu_s() - used_s) / took_s, peak_mb()
    lags = np.array(store.lags_s)
    figures = {
        "stored": store.count,
        "seconds": round(took_s, 1),
        "lag_median_s": round(float(np.median(lags)), 2),
        "lag_99_s": round(float(np.percentile(lags, 99)), 2),
        "lag_worst_s": round(float(lags.max()), 2),
        "cpu_share": round(share, 2),
        "start_mb": start_mb,
        "peak_mb": most_mb,  # before the medians here, which import 8 MB
        "goal": f"{GOAL_MB} MB {'met' if most_mb <= GOAL_MB else 'missed'}",
    }
    stop.set()
    worker.join()
    print(json.dumps(figures), flush=True)


def peak_mb() -> int:
    """The most memory that this process has held so far."""
    return round(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1000)


def cpu_s() -> float:
    used = resource.getrusage(resource.RUSAGE_SELF)
    return used.ru_utime + used.ru_stime


def publish(port: int, tanks: int, rate: int, seconds: int) -> float:
    """Send at an even pace; returns the rate reached."""
    import paho.mqtt.client as mqtt
    from paho.mqtt.enums import CallbackAPIVersion

    client = mqtt.Client(CallbackAPIVersion.VERSION2)
    client.max_inflight_messages_set(2000)
    client.max_queued_messages_set(0)
    client.connect(HOST, port)
    client.loop_start()
    start_s = time.monotonic()
    for n in range(rate * seconds):
        due_s = start_s + n / rate
        wait_s = due_s - time.monotonic()
        if wait_s > 0.002:
            time.sleep(wait_s)
        payload = f'{{"value":{20 + n % 50 / 10},"time":{int(time.time() * 1000)}}}'
        last = client.publish(f"littoral/tank-{n % tanks}/temperature", payload, qos=1)
    took_s = time.monotonic() - start_s
    last.wait_for_publish(60)
    time.sleep(1.0)  # QoS 1 is acknowledged out of order: let the others of the window follow
    client.disconnect()
    client.loop_stop()
    return rate * seconds / took_s


def main() -> None:
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--seconds", type=int, default=120)
    options.add_argument("--rate", type=int, default=1000)
    options.add_argument("--tanks", type=int, default=10_000)
    options.add_argument("--child", nargs=3)
    options.add_argument("--register")
    chosen = options.parse_args()
    if chosen.register:
        register(chosen.register, chosen.tanks)
        return
    if chosen.child:
        folder, port, total = chosen.child
        ingest(folder, int(port), int(total))
        return
    from tests.servers import Mosquitto  # not in the child: it would count as the ingester's memory

    with tempfile.TemporaryDirectory() as folder:
        broker = Mosquitto(Path(folder), "max_inflight_messages 5000\n")
        broker.start()
        total = chosen.rate * chosen.seconds
        ours = [sys.executable, "-m", "tests.bench.ingest_sustained"]
        subprocess.run([*ours, "--register", folder, "--tanks", str(chosen.tanks)], check=True)
        child = subprocess.Popen(
            [*ours, "--child", folder, str(broker.port), str(total)],
            stdout=subprocess.PIPE,
            text=True,
        )
        assert child.stdout is not None
        try:
            ready = child.stdout.readline()
            assert ready == "ready\n"
            reached = publish(broker.port, chosen.tanks, chosen.rate, chosen.seconds)
            print(f"published {reached:,.0f} messages/s for {chosen.seconds} s: {total:,}")
            print(child.stdout.readline().strip())
            child.wait(60)
        finally:
            child.kill()
            broker.stop()


if __name__ == "__main__":
    main()
