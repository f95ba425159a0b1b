"""A home as the benchmarks know it: three invented tanks, a broker, ``littoral up``, sensors.

The broker keeps what waits, and logs, as ``docker/mosquitto/littoral.conf`` has it; everything lies
in one folder. Figures of processes are read from ``/proc``, so this runs on Linux only.
"""

from __future__ import annotations

import itertools
import os
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Final

import paho.mqtt.client as mqtt
import requests
from paho.mqtt.enums import CallbackAPIVersion

from service.registry.registry import open_registry
from service.store import SeriesKey, open_store
from tests.servers import HOST, Mosquitto, free_port, wait_until

QUESTIONS: Final = (
    "/", "/tanks/{tank}", "/v1/tanks", "/v1/tanks/{tank}/co2", "/v1/tanks/{tank}/light",
    "/v1/tanks/{tank}/temperature", "/v1/tanks/{tank}/recommendations", "/readyz",
)  # fmt: skip
_WRITES: Final = (
    "autosave_on_changes", "autosave_interval", "persistent_client_expiration", "log_type",
)  # fmt: skip
_SHIPPED: Final = Path(__file__).parents[2] / "docker" / "mosquitto" / "littoral.conf"
_PATIENCE_S: Final = 300.0


@dataclass(frozen=True)
class Home:
    """A home that runs.

    Attributes:
        up: the process ``littoral up``.
        series: what the sensors measure.
    """

    folder: Path
    broker: Mosquitto
    up: subprocess.Popen[bytes]
    url: str
    series: Sequence[SeriesKey]

    @property
    def processes(self) -> dict[str, int]:
        """Process ids by what they are: ``up``, those it started, and the broker."""
        named = {"up": self.up.pid}
        for pid in descendants(self.up.pid):
            words = Path(f"/proc/{pid}/cmdline").read_bytes().decode().split("\0")
            name = next((word for word in ("ingest", "serve") if word in words), "?")
            if any(word.endswith("child_process_guard.py") for word in words):
                name = f"guard of {name}"
            named[name] = pid
        return {**named, "broker": self.broker.pid}

    def ask(self) -> None:
        """Ask for pages and answers as people and programs do."""
        for path, tank in itertools.product(QUESTIONS, sorted({key.tank for key in self.series})):
            answer = requests.get(self.url + path.format(tank=tank), timeout=_PATIENCE_S)
            assert answer.ok, (path, answer.status_code)

    def wait_until_evaluated(self) -> None:
        """Wait until the rules were evaluated once."""
        wait_until(self._is_evaluated, _PATIENCE_S, lambda: "the tanks were not evaluated")

    def _is_evaluated(self) -> bool:
        time.sleep(0.5)
        metrics = requests.get(f"{self.url}/metrics", timeout=_PATIENCE_S).text
        line = "littoral_scheduler_tanks "
        return any(
            float(one.removeprefix(line)) for one in metrics.splitlines() if one.startswith(line)
        )


def descendants(pid: int) -> Iterator[int]:
    """All processes below one."""
    found = Path(f"/proc/{pid}/task/{pid}/children").read_text().split()
    for child in map(int, found):
        yield child
        yield from descendants(child)


@contextmanager
def home(folder: Path, days: int) -> Iterator[Home]:
    """Start one with so many days of readings behind it; all is stopped at the end."""
    series = _lay_in(folder, days)
    lines = _SHIPPED.read_text().splitlines()
    kept = "\n".join(line for line in lines if line.startswith(_WRITES))
    (folder / "broker").mkdir()
    broker = Mosquitto(
        folder / "broker",
        f"persistence true\npersistence_location {folder}/broker/\n{kept}\n",
    )
    broker.start()
    port = free_port()
    config = folder / "littoral.toml"
    config.write_text(
        f'[store]\nurl = "sqlite:///{folder}/readings.db"\n'
        f'[registry]\nurl = "sqlite:///{folder}/registry.db"\n[mqtt]\nurl = "{broker.url}"\n'
        f'[ingest]\nspool_path = "{folder}/spool.db"\n[http]\nport = {port}\n'
    )
    environ = _with_bytecode(folder / "bytecode")
    with (folder / "up.log").open("wb") as log:
        up = subprocess.Popen(
            [sys.executable, "-m", "service", "up", "--config", str(config)],
            stdout=log,
            stderr=log,
            env=environ,
        )
    try:
        one = Home(folder, broker, up, f"http://{HOST}:{port}", series)
        wait_until(lambda: _is_ready(one), _PATIENCE_S, (folder / "up.log").read_text)
        yield one
    finally:
        up.send_signal(signal.SIGTERM)
        up.wait(_PATIENCE_S)
        broker.stop()


def _with_bytecode(folder: Path) -> dict[str, str]:
    """An environment in which modules are compiled already, as pip leaves them.

    Compiling takes memory that a process does not give back.
    """
    environ = {**os.environ, "PYTHONPYCACHEPREFIX": str(folder), "PYTHONDONTWRITEBYTECODE": ""}
    imports = "import ingest.app, service.app.serving, service.cli.processes.up"
    subprocess.run([sys.executable, "-c", imports], check=True, env=environ)
    return environ


def _lay_in(folder: Path, days: int) -> Sequence[SeriesKey]:
    """Tanks, log and readings; three series of each tank are returned."""
    from demo.history import Past, register
    from demo.tanks import scenario

    made = scenario(datetime.now(UTC).replace(second=0, microsecond=0))
    registry = open_registry(f"sqlite:///{folder}/registry.db")
    store = open_store(f"sqlite:///{folder}/readings.db")
    register(made, registry)
    Past(made, days, seed=5).lay_in(store, lambda _: None)
    keys = [info.key for info in store.series()]
    store.close()
    registry.close()
    series = [key for key in keys if key.quantity in ("temperature", "ph", "illuminance")]
    assert len(series) == 9
    return series


def _is_ready(one: Home) -> bool:
    assert one.up.poll() is None, "littoral up has ended"
    try:
        answer = requests.get(f"{one.url}/readyz", timeout=5)
    except (requests.ConnectionError, requests.Timeout):
        return False
    return answer.ok and any(part["connected"] for part in answer.json()["ingest"])


_USUAL: Final = {"temperature": 24.5, "ph": 6.75, "illuminance": 6000.0}


class Sensors:
    """Boards that publish at QoS 1 over one connection, each tank's at a moment of its own."""

    def __init__(self, one: Home, per_second: float) -> None:
        """
        Args:
            per_second: readings of all sensors together.
        """
        self._home, self._per_second = one, per_second
        self._ending = threading.Event()
        self._thread = threading.Thread(target=self._run, daemon=True)
        self.sent = 0
        self._client = mqtt.Client(CallbackAPIVersion.VERSION2)
        self._client.max_queued_messages_set(0)

    def __enter__(self) -> Sensors:
        """Begin to publish."""
        self._client.connect(HOST, self._home.broker.port)
        self._client.loop_start()
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        """End."""
        self._ending.set()
        self._thread.join()
        self._client.disconnect()
        self._client.loop_stop()

    def _run(self) -> None:
        start_s, tanks = time.monotonic(), sorted({key.tank for key in self._home.series})
        for round_number in itertools.count():
            for tank in tanks:
                due_s = start_s + self.sent / self._per_second
                if self._ending.wait(max(0.0, due_s - time.monotonic())):
                    return
                for key in self._home.series:
                    if key.tank == tank:
                        self._publish(key, round_number)

    def _publish(self, key: SeriesKey, number: int) -> None:
        value = _USUAL[key.quantity] * (1 + number * 7919 % 100 / 20_000)
        text = f'{{"value": {value:.2f}, "time": {int(time.time() * 1000)}}}'
        topic = f"littoral/{key.tank}/{key.quantity}/{key.sensor}"
        self._client.publish(topic, text, qos=1)
        self.sent += 1
