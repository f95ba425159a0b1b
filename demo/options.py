"""What the demo can be told."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import time
from pathlib import Path

HTTP_PORT = 8600
MQTT_PORT = 18830
SPEED = 60.0
DAYS = 8
SEED = 7
CLOCK = time(11, 30)
"""Late morning: the lamps are on, and the day's troubles have begun."""


@dataclass(frozen=True, slots=True)
class DemoOptions:
    """Options of ``run_demo``.

    Attributes:
        http_port, mqtt_port: of loopback.
        speed: seconds of the demo per second, above 0.
        days: whole days of history before the day of the start, at least 1.
        data: folder for databases and logs, kept; None: a temporary one.
        keep: keep the temporary folder too.
        check: ask the main questions, print the answers and end.
        broker: ``auto``, ``mosquitto`` or ``iotcore``.
        clock: time of day, UTC, at which the demo starts.
        seed: fixes noise and weather.
    """

    http_port: int = HTTP_PORT
    mqtt_port: int = MQTT_PORT
    speed: float = SPEED
    days: int = DAYS
    data: Path | None = None
    keep: bool = False
    check: bool = False
    broker: str = "auto"
    clock: time = CLOCK
    seed: int = SEED
