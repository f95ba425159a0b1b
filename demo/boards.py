"""Simulated sensor boards that publish over MQTT as the demo's clock runs."""

from __future__ import annotations

import threading
from collections import deque
from collections.abc import Mapping
from dataclasses import dataclass

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

from demo.measuring import LiveTank
from demo.scenario import DemoTank, Scenario
from demo.simulator import Trace
from service.clock import Clock
from service.mqtt.embedded_broker import HOST
from service.store.model import Reading, SeriesKey
from service.times import to_us

TICK_S = 0.1
KEPT = 20_000
PATIENCE_S = 5.0


@dataclass(frozen=True, slots=True)
class Truth:
    """What the water really was at one moment, which no sensor knows."""

    time_us: int
    temperature_c: float
    co2_mg_l: float


class Boards:
    """One board per tank, each with an MQTT client of its own."""

    def __init__(
        self, scenario: Scenario, tanks: Mapping[str, LiveTank], clock: Clock, port: int
    ) -> None:
        """
        Args:
            tanks: the simulations, at the moment from which they go on.
            clock: the demo's clock.
            port: of the broker.
        """
        self._scenario = scenario
        self._tanks = tanks
        self._clock = clock
        self._port = port
        self._stop = threading.Event()
        self._lock = threading.Lock()
        self._sent: dict[SeriesKey, deque[Reading]] = {}
        self._truth: dict[str, deque[Truth]] = {
            one.tank.id: deque(maxlen=KEPT) for one in scenario.tanks
        }
        self._clients = {one.tank.id: _client(one.tank.id) for one in scenario.tanks}
        self._thread = threading.Thread(target=self._run, name="boards", daemon=True)
        self.failed: BaseException | None = None

    def start(self) -> None:
        """Connect and publish until ``stop``."""
        for client in self._clients.values():
            client.connect(HOST, self._port)
            client.loop_start()
        self._thread.start()

    def stop(self) -> None:
        """Publish no more, wait for what is on its way, disconnect."""
        self._stop.set()
        if self._thread.ident is not None:
            self._thread.join(PATIENCE_S)
        for client in self._clients.values():
            client.disconnect()
            client.loop_stop()

    def sent(self) -> dict[SeriesKey, list[Reading]]:
        """What was published so far, each as it ought to arrive, oldest first."""
        with self._lock:
            return {key: list(readings) for key, readings in self._sent.items()}

    def truth(self, tank: str, time_us: int) -> Truth | None:
        """What a tank's water was at the moment simulated that is nearest to ``time_us``."""
        with self._lock:
            known = list(self._truth[tank])
        return min(known, key=lambda one: abs(one.time_us - time_us), default=None)

    def _run(self) -> None:
        try:
            while not self._stop.wait(TICK_S):
                now_s = to_us(self._clock.now()) / 1e6
                for one in self._scenario.tanks:
                    trace, readings = self._tanks[one.tank.id].until(now_s)
                    self._remember(one.tank.id, trace)
                    self._publish(one, readings)
        except BaseException as error:  # noqa: BLE001 - told by the demo, which ends on it
            self.failed = error

    def _remember(self, tank: str, trace: Trace) -> None:
        times = (trace.time_s * 1e6).round().astype(int).tolist()
        columns = (times, trace.temperature_c.tolist(), trace.co2_mg_l.tolist())
        with self._lock:
            self._truth[tank].extend(Truth(*row) for row in zip(*columns, strict=True))

    def _publish(self, one: DemoTank, readings: list[Reading]) -> None:
        newest = {reading.key: reading for reading in readings}
        for reading in readings:
            wire = one.wires[reading.key]
            # A board that sends bare numbers can only say what is now.
            if not wire.stamped and newest[reading.key] is not reading:
                continue
            self._clients[one.tank.id].publish(wire.topic, wire.payload(reading), qos=1)
            with self._lock:
                kept = self._sent.setdefault(reading.key, deque(maxlen=KEPT))
                kept.append(wire.arrived(reading))


def _client(tank: str) -> mqtt.Client:
    return mqtt.Client(CallbackAPIVersion.VERSION2, client_id=f"board-{tank}", protocol=mqtt.MQTTv5)
