"""A running ingester on a real broker, a real store and a real registry."""

from __future__ import annotations

import multiprocessing
import os
import signal
import subprocess
import threading
import uuid
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, replace
from multiprocessing.context import ForkServerProcess
from pathlib import Path
from typing import Any, Final

import pytest

from ingest.app import Ingester
from service.clock import SystemClock
from service.config import Config, IngestConfig, MqttConfig, RegistryConfig, StoreConfig
from service.registry.models.tank import Tank
from service.registry.registry import Registry
from service.registry.repositories import process_status
from service.store import Reading, SeriesKey, Store, open_store
from tests.ingest.ingester_process import SUBSCRIBED, run
from tests.ingest.load import PATIENCE_S, Publisher
from tests.registries import sqlite_registry
from tests.servers import HOST, Server, program, wait_until

FORKED: Final = multiprocessing.get_context("forkserver")
FORKED.set_forkserver_preload(["tests.ingest.ingester_process"])


def publish(broker: Server, topic: str, payload: str | bytes, *options: str, qos: int = 1) -> None:
    """Publish one message with Debian's own client."""
    data = payload.encode() if isinstance(payload, str) else payload
    command = [program("mosquitto_pub"), "-h", HOST, "-p", str(broker.port), "-q", str(qos)]
    source = "-s" if data else "-n"
    subprocess.run(
        [*command, "-t", topic, source, *options], input=data, check=True, timeout=PATIENCE_S
    )


def publish_lines(broker: Server, topic: str, lines: list[str], *, qos: int = 1) -> None:
    """Publish each line as one message, over one connection."""
    command = [program("mosquitto_pub"), "-h", HOST, "-p", str(broker.port), "-q", str(qos)]
    text = "".join(line + "\n" for line in lines)
    subprocess.run(
        [*command, "-t", topic, "-l"], input=text.encode(), check=True, timeout=PATIENCE_S
    )


@pytest.fixture(autouse=True)
def _counts_at_once(monkeypatch: pytest.MonkeyPatch) -> None:
    """Tests read the counts of the status row; how often else: ``test_status.py``."""
    monkeypatch.setattr(process_status, "STATUS_IN_FILE_EVERY_S", 0.0)
    monkeypatch.setattr(process_status, "STATUS_EVERY_S", 0.0)


@dataclass
class Bench:
    """An ingester in threads of this process, and what it writes to."""

    config: Config
    store: Store
    registry: Registry
    ingester: Ingester = field(init=False)
    _stop: threading.Event = field(init=False)
    _thread: threading.Thread = field(init=False)

    def start(self) -> None:
        """Start it and wait until it is subscribed."""
        self.launch()
        self.wait(lambda status: status["subscribed"])

    def launch(self, *, leaving: bool = False) -> None:
        """Start it; it connects when it can."""
        self.ingester = Ingester(
            self.config, self.store, self.registry, SystemClock(), leaving=leaving
        )
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self.ingester.run, args=(self._stop,))
        self._thread.start()

    def wait(self, true: Callable[[dict[str, Any]], bool]) -> None:
        """Wait until what it says of itself is as wanted."""
        wait_until(lambda: true(self.status()), PATIENCE_S, lambda: f"{self.status()}")

    def stop(self) -> None:
        """Stop it as SIGTERM would."""
        self._stop.set()
        self.wait_ended()

    def wait_ended(self) -> None:
        """Wait until it has ended."""
        self._thread.join(PATIENCE_S)
        assert not self._thread.is_alive(), "the ingester does not end"

    def status(self) -> dict[str, Any]:
        """What it says of itself."""
        return self.ingester.status()

    def readings(
        self, tank: str, quantity: str, sensor: str = "main"
    ) -> list[tuple[int, float, int]]:
        """All readings of a series as (time_us, value, flags)."""
        samples = self.store.read(SeriesKey(tank, quantity, sensor), 0, 1 << 62, flagged=True)
        return list(
            zip(
                samples.time_us.tolist(),
                samples.value.tolist(),
                samples.flags.tolist(),
                strict=True,
            )
        )

    def wait_for(self, tank: str, quantity: str, sensor: str = "main", count: int = 1) -> Reading:
        """Wait for readings of a series; returns the newest."""
        wait_until(
            lambda: len(self.readings(tank, quantity, sensor)) >= count,
            PATIENCE_S,
            lambda: f"{self.readings(tank, quantity, sensor)[-3:]} {self.status()}",
        )
        found = self.store.latest(SeriesKey(tank, quantity, sensor), flagged=True)
        assert found is not None
        return found


class Process:
    """An ingester in a process of its own, forked from one that has imported all there is."""

    def __init__(self, config: Config, folder: Path) -> None:
        self.log = folder / "ingester.log"
        self._config = config
        self._process: ForkServerProcess | None = None

    def start(self) -> None:
        """Start it and wait until it is subscribed."""
        already = self._subscribed()
        self._process = FORKED.Process(target=run, args=(self._config, self.log), daemon=True)
        self._process.start()
        wait_until(lambda: self._subscribed() > already, PATIENCE_S, self.log.read_text)

    def _subscribed(self) -> int:
        return self.log.read_text().count(SUBSCRIBED) if self.log.exists() else 0

    @property
    def pid(self) -> int:
        """Its process id."""
        assert self._process is not None
        assert self._process.pid is not None
        return self._process.pid

    def end(self, sig: signal.Signals) -> int | None:
        """Send it a signal and wait until it has ended; returns its exit code."""
        os.kill(self.pid, sig)
        process, self._process = self._process, None
        assert process is not None
        process.join(PATIENCE_S)
        return process.exitcode

    def stop_if_running(self) -> None:
        """For the test's end."""
        if self._process is not None:
            self.end(signal.SIGKILL)


@pytest.fixture
def make_process() -> Iterator[Callable[[Bench], Process]]:
    """``make_process(bench)``: an ingester in its own process that writes where the bench reads."""
    processes: list[Process] = []

    def make(bench: Bench) -> Process:
        processes.append(Process(bench.config, Path(bench.config.ingest.spool_path).parent))
        return processes[-1]

    yield make
    for process in processes:
        process.stop_if_running()


@pytest.fixture
def make_bench(
    tmp_path: Path,
) -> Iterator[Callable[..., Bench]]:
    """``make_bench(broker, **ingest_options)``: a bench with the tanks ``reed`` and ``sedge``."""
    benches: list[Bench] = []

    def make(broker: Server, *, mqtt: dict[str, Any] | None = None, **ingest: Any) -> Bench:
        folder = tmp_path / f"bench{len(benches)}"
        settings = {"batch_age_s": 0.05, "spool_path": str(folder / "spool.db"), **ingest}
        config = Config(
            store=StoreConfig(f"sqlite:///{folder}/readings.db"),
            registry=RegistryConfig(f"sqlite:///{folder}/registry.db"),
            mqtt=replace(
                MqttConfig(
                    f"mqtt://{HOST}:{broker.port}",
                    client_id=f"test-{uuid.uuid4().hex[:12]}",
                    session_expiry_s=60,
                ),
                **(mqtt or {}),
            ),
            ingest=IngestConfig(**settings),
        )
        folder.mkdir()
        registry = sqlite_registry(folder / "registry.db")
        for tank in ("reed", "sedge"):
            registry.put_tank(Tank(tank, tank.title()))
        bench = Bench(config, open_store(config.store.url), registry)
        benches.append(bench)
        return bench

    yield make
    for bench in benches:
        if hasattr(bench, "_thread"):
            bench.stop()
        bench.store.close()
        bench.registry.close()


@pytest.fixture
def publisher() -> Iterator[Callable[[Server], Publisher]]:
    """``publisher(broker)``: numbers as readings, each another one."""
    publishers: list[Publisher] = []

    def make(broker: Server) -> Publisher:
        publishers.append(Publisher(broker.port))
        return publishers[-1]

    yield make
    for made in publishers:
        made.close()
