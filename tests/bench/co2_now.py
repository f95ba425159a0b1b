"""``GET /co2`` by 8 clients over real HTTP while 1,000 readings/s go into the same SQLite file.

    python -m tests.bench.co2_now [--seconds 20] [--clients 8]

Beside it the same clients ask for ``/healthz``, which does no work: what is left is HTTP, Flask and
the clients themselves. The clients write bare HTTP, so that they take little of the processor; all
of server, writer and clients share it.
"""

from __future__ import annotations

import argparse
import os
import subprocess
import sys
import tempfile
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path

import requests

from service.registry.models.log import LogKind
from service.registry.registry import open_registry
from service.store import Reading, open_store
from service.times import to_us
from tests.bench import store_year
from tests.servers import HOST, free_port, wait_until

_WRITER = """
import sys, time
from service.store import Reading, open_store
store, end, number = open_store(sys.argv[1]), time.time() + float(sys.argv[2]), 0
while time.time() < end:
    begin, now = time.time(), time.time_ns() // 1000
    store.write([Reading("quarry-pool", q, "probe-1", now + n, 6.6 + n / 1000)
                 for n in range(2) for q in ("ph", "temperature")]
                + [Reading(f"tank-{n}", "ph", "probe-1", now + n, 6.6) for n in range(96)])
    number += 100
    time.sleep(max(0.0, begin + 0.1 - time.time()))
print(number)
"""
#: Arguments: port, paths with commas between, seconds, clients, pause. Prints count and latencies.
CLIENTS = """
import itertools, socket, sys, threading, time
port, paths, seconds, clients, pause_s = sys.argv[1:]
all_asked = [f"GET {path} HTTP/1.1\\r\\nHost: 127.0.0.1:{port}\\r\\n\\r\\n".encode()
             for path in paths.split(",")]
took = []
def ask():
    end = time.time() + float(seconds)
    with socket.create_connection(("127.0.0.1", int(port))) as link:
        link.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        for asked in itertools.cycle(all_asked):
            if time.time() >= end:
                break
            begin = time.perf_counter()
            link.sendall(asked)
            got = b""
            while b"\\r\\n\\r\\n" not in got:
                got += link.recv(65536)
            head, _, body = got.partition(b"\\r\\n\\r\\n")
            assert head.startswith(b"HTTP/1.1 200"), head
            length = int(head.lower().partition(b"content-length:")[2].split()[0])
            while len(body) < length:
                body += link.recv(65536)
            took.append((time.perf_counter() - begin) * 1000)
            time.sleep(float(pause_s))
threads = [threading.Thread(target=ask) for _ in range(int(clients))]
[t.start() for t in threads]; [t.join() for t in threads]
took.sort()
print(len(took), took[len(took) // 2], took[int(len(took) * 0.99)], took[-1])
"""


def run(folder: Path, seconds: float, clients: int = 8) -> None:
    """Fill a store with a month and a registry with a year of log entries; serve, write and ask."""
    port, url = free_port(), f"sqlite:///{folder}/live.db"
    fill(url)
    config = folder / "littoral.toml"
    config.write_text(
        f'[store]\nurl = "{url}"\n[registry]\nurl = "{registry_url()}"\n'
        f'[http]\nport = {port}\n[mqtt]\nurl = "mqtt://{HOST}:{free_port()}"\n'
    )
    command = [sys.executable, "-m", "service", "serve", "--config", str(config)]
    path = f"/v1/tanks/{store_year.TANK}/co2"
    with (folder / "serve.log").open("w") as log:
        server = subprocess.Popen(command, stdout=log, stderr=log)
    try:
        address = f"http://{HOST}:{port}"
        wait_until(lambda: _answers(address + path), 60, lambda: (folder / "serve.log").read_text())
        print(
            f"\nGET /co2 for {seconds:.0f} s each beside 1,000 readings/s into the same SQLite "
            f"file; load before: {os.getloadavg()[0]:.1f} on {os.cpu_count()} cores"
        )
        for pause_s, how in ((0.1, "10 questions/s each"), (0.0, "as fast as they can")):
            empty = measured(server.pid, port, url, "/healthz", seconds / 2, clients, pause_s)
            full = measured(server.pid, port, url, path, seconds, clients, pause_s)
            print(f"  {clients} clients, {how}")
            tell("GET /healthz (no work)", empty)
            tell(f"GET {path}", full)
            ratios = ", ".join(f"{name} {full[name] / empty[name]:.1f}" for name in _COMPARED)
            print(f"    ratio of the two: {ratios}")
    finally:
        server.terminate()
        server.wait(30)


_COMPARED = ("p50", "p99", "processor")


def fill(url: str) -> None:
    """Three quantities each 10 s up to now, for a month."""
    store, now_us = open_store(url), to_us(datetime.now(UTC))
    count = 30 * 8640
    first_us = now_us - count * store_year.STEP_US
    for quantity in store_year.QUANTITIES:
        for at in range(0, count, 10_000):
            column = store_year.values(quantity, at, min(10_000, count - at)).tolist()
            store.write(
                [
                    Reading(
                        store_year.TANK,
                        quantity,
                        store_year.SENSOR,
                        first_us + (at + n) * store_year.STEP_US,
                        value,
                    )
                    for n, value in enumerate(column)
                ]
            )
    store.close()


def registry_url() -> str:
    """A registry with the tank and three log entries a week, for a year."""
    url = store_year.registry_url()
    registry, now = open_registry(url), datetime.now(UTC)
    for week in range(52):
        at = now - timedelta(weeks=week, hours=1)
        registry.add_log(store_year.TANK, LogKind.WATER_CHANGE, at, {"fraction": 0.5})
        registry.add_log(store_year.TANK, LogKind.DOSE, at, {"name": "macro", "ml": 10.0})
        if week % 4 == 1:
            registry.add_log(store_year.TANK, LogKind.KH_TEST, at, {"kh_meq_l": 1.43})
        else:
            registry.add_log(store_year.TANK, LogKind.TRIM, at)
    registry.close()
    return url


def measured(
    pid: int, port: int, url: str, path: str, seconds: float, clients: int, pause_s: float
) -> dict[str, float]:
    """Ask while somebody writes: latencies in ms, processor time of the server per answer in ms."""
    used_s = store_year.server_s(pid)
    writer = subprocess.Popen(
        [sys.executable, "-c", _WRITER, url, str(seconds + 1)], stdout=subprocess.PIPE, text=True
    )
    time.sleep(1)  # until it writes
    asked = [str(port), path, str(seconds), str(clients), str(pause_s)]
    done = subprocess.run(
        [sys.executable, "-c", CLIENTS, *asked], check=True, capture_output=True, text=True
    )
    written = int(writer.communicate()[0])
    processor_ms = 1000 * (store_year.server_s(pid) - used_s)
    count, p50, p99, worst = map(float, done.stdout.split())
    return {
        "answers_s": count / seconds,
        "p50": p50,
        "p99": p99,
        "worst": worst,
        "processor": processor_ms / count,
        "written_s": written / (seconds + 1),
    }


def tell(what: str, found: dict[str, float]) -> None:
    """Print one line of figures."""
    print(
        f"    {what:30} {found['answers_s']:5.0f} answers/s, p50 {found['p50']:6.1f} ms, "
        f"p99 {found['p99']:6.1f} ms, worst {found['worst']:5.0f} ms, "
        f"{found['processor']:4.1f} processor ms each; {found['written_s']:.0f} readings/s written",
        flush=True,
    )


def _answers(address: str) -> bool:
    try:
        return requests.get(address, timeout=5).status_code == 200
    except requests.ConnectionError:
        return False


def main() -> None:
    """Run it."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seconds", type=float, default=20)
    parser.add_argument("--clients", type=int, default=8)
    arguments = parser.parse_args()
    with tempfile.TemporaryDirectory(prefix="littoral-bench-") as name:
        run(Path(name), arguments.seconds, arguments.clients)


if __name__ == "__main__":
    main()
