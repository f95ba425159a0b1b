"""A broker to try Littoral out, and the demo's: an installed mosquitto, else one from pip.

Both run as a child process, on loopback only.
"""

from __future__ import annotations

import shutil
import sys
from collections.abc import Sequence
from importlib.util import find_spec
from pathlib import Path

from service.config import MqttConfig
from service.errors import ConfigError, LittoralError
from service.mqtt.connection import broker_address, broker_refusal
from service.urls import redacted

HOST = "127.0.0.1"
MAX_INFLIGHT = 1000
_LOOPBACK = (HOST, "localhost")
KINDS = ("auto", "mosquitto", "iotcore")

# Debian keeps it where only root's PATH looks.
_MOSQUITTO_PLACES = ("/usr/sbin/mosquitto", "/usr/local/sbin/mosquitto")

# Without the first two, a burst at QoS 1 loses messages silently.
_MOSQUITTO = """\
listener {port} {host}
allow_anonymous true
max_queued_messages 0
max_inflight_messages {inflight}
persistence false
log_dest stderr
log_type error
log_type warning
"""

# MQTT 5 has a listener of its own there; keys and units are those of rumqttd 0.19.
_IOTCORE = """\
id = 0

[router]
id = 0
max_connections = 100
max_outgoing_packet_count = 200
max_segment_size = 104857600
max_segment_count = 10

[v5.1]
name = "embedded"
listen = "{host}:{port}"
next_connection_delay_ms = 1

[v5.1.connections]
connection_timeout_ms = 60000
max_payload_size = 262144
max_inflight_count = {inflight}
dynamic_filters = true
"""


class NoBrokerError(LittoralError):
    """There is no broker to start."""


def embedded_port(config: MqttConfig) -> int:
    """The port at which the configuration expects the broker on this machine.

    Raises:
        ConfigError: it expects it elsewhere, or with TLS.
        NoBrokerError: one answers there already.
    """
    address = broker_address(config)
    if address.tls or address.host not in _LOOPBACK:
        raise ConfigError(
            f"mqtt.url is {redacted(config.url)!r}; allowed with --embedded-broker: "
            f"mqtt://{HOST} or mqtt://{HOST}:PORT"
        )
    if broker_refusal(config) is None:
        raise NoBrokerError(
            f"a broker answers already at {HOST}:{address.port}; leave --embedded-broker out, or "
            "set another port in mqtt.url"
        )
    return address.port


def chosen(kind: str) -> str:
    """Which broker to start: ``mosquitto`` or ``iotcore``.

    Args:
        kind: ``auto`` takes mosquitto where it is installed.

    Raises:
        NoBrokerError: the one asked for, or any, is not installed.
    """
    if kind in ("auto", "mosquitto") and mosquitto() is not None:
        return "mosquitto"
    if kind in ("auto", "iotcore") and find_spec("iotcore") is not None:
        return "iotcore"
    ways = {
        "auto": "apt-get install mosquitto, or pip install 'littoral[demo]'",
        "mosquitto": "apt-get install mosquitto",
        "iotcore": "pip install 'littoral[demo]'",
    }
    raise NoBrokerError(f"broker is {kind!r}, which is not installed; try: {ways[kind]}")


def mosquitto() -> str | None:
    """Path of an installed mosquitto."""
    found = shutil.which("mosquitto")
    if found is not None:
        return found
    return next((place for place in _MOSQUITTO_PLACES if Path(place).is_file()), None)


def command(kind: str, port: int, folder: Path) -> Sequence[str]:
    """Write the broker's configuration and give its command line.

    Args:
        kind: ``mosquitto`` or ``iotcore``.
        port: to listen on, of loopback only.
        folder: where the configuration goes.
    """
    if kind == "mosquitto":
        path = folder / "mosquitto.conf"
        path.write_text(_MOSQUITTO.format(port=port, host=HOST, inflight=MAX_INFLIGHT))
        return [mosquitto() or "mosquitto", "-c", str(path)]
    path = folder / "iotcore.toml"
    path.write_text(_IOTCORE.format(port=port, host=HOST, inflight=MAX_INFLIGHT))
    return [sys.executable, "-m", "iotcore", "--config", str(path), "--log-level", "WARNING"]
