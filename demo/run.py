"""``littoral demo``: invented tanks, real broker, real ingester, real API.

The past is laid into the store at once; from the demo's start on, simulated boards publish over
MQTT, and the ingester and the API run as processes of their own, as they would in earnest.
"""

from __future__ import annotations

import sys
import threading
import time
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path

import requests
from rich.console import Console
from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn

from demo.boards import Boards
from demo.check import check
from demo.children import Child, ChildError, Children, port_is_free
from demo.folder import data_folder
from demo.greeting import greet
from demo.history import Past, register
from demo.options import DemoOptions
from demo.scenario import Scenario, latest_at
from demo.settings import write_settings
from demo.tanks import scenario
from service.app.signals import set_by_signals
from service.clock import FastClock
from service.errors import LittoralError
from service.mqtt import embedded_broker as broker
from service.registry.registry import open_registry
from service.store import open_store

START_GRACE_S = 4.0
"""The demo's clock begins so long after the children are started, so that they are ready."""

READY_TIMEOUT_S = 60.0
WATCH_S = 0.3
POLL_S = 0.1
INGEST_STATUS = "ingest:demo-ingest"


Waiting = Callable[[], bool]
Alive = Callable[[], None]


class PortTakenError(LittoralError):
    """Somebody else listens on a port that the demo wants."""


class _StopRequestedError(Exception):
    """Ctrl-C or SIGTERM while something was being prepared."""


def run_demo(options: DemoOptions) -> int:
    """Run the demo until Ctrl-C, or ask the main questions and end with ``check``.

    Returns:
        0 fine; 1 the check failed or a part of the demo ended; 2 the options cannot be met.
    """
    stop = threading.Event()
    try:
        with set_by_signals(stop):
            return _run(options, stop, Console(highlight=False))
    except _StopRequestedError:
        return 0
    except ChildError as error:
        _complain(error.detail)
        return 1
    except LittoralError as error:
        _complain(" ".join(error.detail.split()))
        return 2


def _run(options: DemoOptions, stop: threading.Event, console: Console) -> int:
    _require_ports(options)
    kind = broker.chosen(options.broker)
    invented = scenario(latest_at(datetime.now(UTC), options.clock))
    with data_folder(options) as folder:
        past = _lay_in(options, invented, folder, console, stop)
        started = datetime.now(UTC) + timedelta(seconds=START_GRACE_S)
        settings = folder / "littoral.toml"
        write_settings(
            settings,
            invented,
            http_port=options.http_port,
            mqtt_port=options.mqtt_port,
            speed=options.speed,
            started=started,
        )
        clock = FastClock(started, invented.origin, options.speed)
        boards = Boards(invented, past.tanks, clock, options.mqtt_port)
        children = Children()
        try:
            _start(children, kind, options, settings, stop)
            boards.start()
            base = f"http://{broker.HOST}:{options.http_port}"
            if options.check:
                alive = _alive(children, boards, stop)
                port = options.mqtt_port
                return check(base, invented, boards, clock, port, console, alive)
            greet(console, options, invented, kind, folder)
            while not stop.wait(WATCH_S):
                _alive(children, boards, stop)()
            console.print("\nStopping.")
            return 0
        finally:
            boards.stop()
            killed = children.stop()
            if killed:
                _complain(f"did not end when asked and had to be killed: {', '.join(killed)}")


def _require_ports(options: DemoOptions) -> None:
    ports = {"--http-port": options.http_port, "--mqtt-port": options.mqtt_port}
    if options.http_port == options.mqtt_port:
        raise PortTakenError(
            f"port {options.http_port} is asked for twice; choose another with --mqtt-port"
        )
    for option, port in ports.items():
        if not port_is_free(broker.HOST, port):
            raise PortTakenError(f"port {port} is taken; choose another with {option}")


def _lay_in(
    options: DemoOptions,
    invented: Scenario,
    folder: Path,
    console: Console,
    stop: threading.Event,
) -> Past:
    """Register the tanks and lay in their past, with a progress bar."""
    past = Past(invented, options.days, options.seed)
    store = open_store(f"sqlite:///{folder / 'readings.db'}")
    registry = open_registry(f"sqlite:///{folder / 'registry.db'}")
    try:
        register(invented, registry)
        began = time.monotonic()
        columns = (
            TextColumn("{task.description}"),
            BarColumn(),
            TextColumn("{task.completed}/{task.total} tank days"),
            TimeElapsedColumn(),
        )
        with Progress(*columns, console=console, transient=True) as progress:
            task = progress.add_task("Laying in the past", total=past.days)

            def advance(done: int) -> None:
                progress.advance(task, done)
                if stop.is_set():
                    raise _StopRequestedError

            count = past.lay_in(store, advance)
        seconds = time.monotonic() - began
        console.print(
            f"Wrote {count:,} invented readings of {options.days} days straight to the store "
            f"in {seconds:.1f} s. From here on all readings come over MQTT.",
            soft_wrap=True,
        )
    finally:
        registry.close()
        store.close()
    return past


def _start(
    children: Children,
    kind: str,
    options: DemoOptions,
    settings: Path,
    stop: threading.Event,
) -> None:
    """Start broker, ingester and API, and wait until they are ready."""
    folder = settings.parent
    command = broker.command(kind, options.mqtt_port, folder)
    children.start(Child("broker", command, folder)).wait_for_port(
        broker.HOST, options.mqtt_port, READY_TIMEOUT_S
    )
    for part in ("ingest", "serve"):
        command = [sys.executable, "-m", "service", part, "--config", str(settings)]
        children.start(Child(part, command, folder))
    registry = open_registry(f"sqlite:///{folder / 'registry.db'}")
    ready = f"http://{broker.HOST}:{options.http_port}/readyz"
    try:
        _wait(lambda: _subscribed(registry.statuses().get(INGEST_STATUS)), children, stop, "ingest")
        _wait(lambda: _answers(ready), children, stop, "serve")
    finally:
        registry.close()


def _wait(ready: Waiting, children: Children, stop: threading.Event, name: str) -> None:
    end = time.monotonic() + READY_TIMEOUT_S
    while not ready():
        children.check()
        if time.monotonic() > end:
            raise ChildError(f"{name} was not ready within {READY_TIMEOUT_S:g} s")
        if stop.wait(POLL_S):
            raise _StopRequestedError


def _subscribed(status: dict[str, object] | None) -> bool:
    return status is not None and bool(status.get("subscribed"))


def _answers(address: str) -> bool:
    try:
        return bool(requests.get(address, timeout=5).ok)
    except requests.RequestException:
        return False


def _alive(children: Children, boards: Boards, stop: threading.Event) -> Alive:
    """A check that everything still runs, to be called now and then."""

    def alive() -> None:
        children.check()
        if boards.failed is not None:
            raise ChildError(f"the simulated boards have ended: {boards.failed!r}")
        if stop.is_set():
            raise _StopRequestedError

    return alive


def _complain(message: str) -> None:
    Console(stderr=True, highlight=False, soft_wrap=True).print(
        f"littoral demo: {message}", markup=False
    )
