"""The service as a Homie device, at a broker."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import AbstractContextManager

from service.config import HomieOptions, MqttConfig
from service.integrations.homie.publisher import Homie
from tests.integrations.connected import connected
from tests.integrations.homie.reader import Reader
from tests.servers import Mosquitto

PLAIN = HomieOptions()
REED = "littoral-reed"
Start = Callable[..., Mosquitto]


def homie(
    broker: Mosquitto, lifetime_s: float = 60.0, options: HomieOptions = PLAIN
) -> AbstractContextManager[Homie]:
    return connected(Homie("home", options, MqttConfig(url=broker.url), lifetime_s))


def ready(reader: Reader, device: str = REED) -> Callable[[], bool]:
    return lambda: reader.holds(lambda one: one.state(device) == "ready")


def complete(reader: Reader, *devices: str, root: str = "littoral") -> Callable[[], bool]:
    """All devices are ready below their root, which was announced last."""
    return lambda: reader.is_complete(*(devices or (REED,)), root=root)
