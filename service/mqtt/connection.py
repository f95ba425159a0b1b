"""The MQTT client as the ingester needs it: session kept, acknowledged by hand, with a will."""

from __future__ import annotations

import ssl
from typing import Any, Final
from urllib.parse import unquote, urlsplit

from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from service.config import MqttConfig
from service.errors import ConfigError
from service.mqtt.wire import Client

_PORTS: Final = {"mqtt": 1883, "mqtts": 8883}


def make_client(
    config: MqttConfig,
    max_inflight: int,
    will_topic: str,
    will_payload: str,
    *,
    clean: bool = False,
) -> Client:
    """Prepare a client; ``reconnect()`` connects it.

    Args:
        max_inflight: messages that the broker may send before the first is acknowledged.
        will_topic, will_payload: what the broker publishes, retained, when we are lost; an
            empty payload: nothing.
        clean: start without the session that the broker may have kept.

    Raises:
        ConfigError: the address or a certificate file is wrong.
    """
    host, port, username, password, tls = address(config)
    v5 = config.protocol == "5"
    client = Client(
        CallbackAPIVersion.VERSION2,
        client_id=config.client_id,
        clean_session=None if v5 else clean,
        protocol=MQTTProtocolVersion.MQTTv5 if v5 else MQTTProtocolVersion.MQTTv311,
        reconnect_on_failure=False,
        manual_ack=True,
    )
    # Tells paho that somebody else watches the socket: packets are then written together.
    client.on_socket_register_write = _nothing
    if will_payload:
        client.will_set(will_topic, will_payload, qos=0, retain=True)
    if username is not None:
        client.username_pw_set(username, password)
    if tls:
        try:
            client.tls_set(config.ca_file, config.cert_file, config.key_file)
        except (OSError, ValueError, ssl.SSLError) as error:
            raise ConfigError(f"mqtt.ca_file, cert_file or key_file: {error}") from error
    if v5:
        connect = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
        connect.SessionExpiryInterval = config.session_expiry_s
        connect.ReceiveMaximum = max_inflight
        client.connect_async(host, port, config.keepalive_s, clean_start=clean, properties=connect)
    else:
        client.connect_async(host, port, config.keepalive_s)
    return client


def _nothing(*_: Any) -> None:
    return


def address(config: MqttConfig) -> tuple[str, int, str | None, str | None, bool]:
    """Host, port, user name, password and whether TLS, of a broker's URL.

    Raises:
        ConfigError: the URL names no host, or a port that is none.
    """
    fault = ConfigError(
        f"mqtt.url is {config.url.rpartition('@')[2]!r}; allowed: mqtt://HOST[:PORT] or "
        "mqtts://HOST[:PORT]"
    )
    try:
        parts = urlsplit(config.url)
        port = parts.port or _PORTS[parts.scheme]
    except (ValueError, KeyError) as error:
        raise fault from error
    if not parts.hostname:
        raise fault
    username = config.username or (unquote(parts.username) if parts.username else None)
    password = config.password or (unquote(parts.password) if parts.password else None)
    return parts.hostname, port, username, password, parts.scheme == "mqtts"
