"""MQTT clients: one set-up of address, credentials, TLS and protocol for all who connect."""

from __future__ import annotations

import socket
import ssl
from dataclasses import dataclass, field
from typing import Any, Final
from urllib.parse import unquote, urlsplit

from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from service.config import MqttConfig
from service.errors import ConfigError
from service.mqtt.fast_reading import FastReadingClient
from service.urls import redacted

ONLINE: Final = "online"
OFFLINE: Final = "offline"
"""Payloads of topics that say whether somebody is there."""
_PORTS: Final = {"mqtt": 1883, "mqtts": 8883}
_RECONNECT_S: Final = (1, 30)
"""First and longest time between attempts to connect. Our choice."""
_ANSWERS_WITHIN_S: Final = 3.0
"""A broker that can be reached has taken a connection within so long. Our choice."""


@dataclass(frozen=True, slots=True)
class Will:
    """What the broker publishes, retained, when the connection is lost."""

    topic: str
    payload: str
    qos: int = 0


@dataclass(frozen=True, slots=True)
class BrokerAddress:
    """Where the broker is, and who asks."""

    host: str
    port: int
    username: str | None
    password: str | None = field(repr=False)
    tls: bool


def check_broker(config: MqttConfig) -> None:
    """Check all of the broker's settings that can be checked without connecting.

    Raises:
        ConfigError: the address or a certificate file is wrong.
    """
    _tls_context(config)


def broker_refusal(config: MqttConfig) -> str | None:
    """Why no broker can be reached, in words; None where something listens at its address."""
    address = broker_address(config)
    try:
        with socket.create_connection((address.host, address.port), _ANSWERS_WITHIN_S):
            return None
    except OSError as error:
        return f"no broker answers at {address.host}:{address.port} ({error.strerror or error})"


def receiving_client(
    config: MqttConfig, max_inflight: int, *, will: Will | None = None, clean: bool = False
) -> FastReadingClient:
    """A client with a persistent session and manual acknowledgement; ``reconnect`` connects.

    Args:
        max_inflight: messages that the broker may send before the first is acknowledged.
        clean: start without the session that the broker may have stored.

    Raises:
        ConfigError: the address or a certificate file is wrong.
    """
    v5 = config.protocol == "5"
    client = _client(
        config,
        config.client_id,
        will,
        clean_session=None if v5 else clean,
        reconnect_on_failure=False,
        manual_ack=True,
    )
    # With this callback paho leaves the writing to our loop: packets are then written together.
    client.on_socket_register_write = _nothing
    address = broker_address(config)
    if v5:
        connect = _connect_properties(config)
        connect.SessionExpiryInterval = config.session_expiry_s
        connect.ReceiveMaximum = max_inflight
        client.connect_async(
            address.host,
            address.port,
            config.keepalive_s,
            clean_start=clean,
            properties=connect,
        )
    else:
        client.connect_async(address.host, address.port, config.keepalive_s)
    return client


def publishing_id(config: MqttConfig, role: str) -> str:
    """The client id of what publishes in a role."""
    return f"{config.client_id}-{role}"


def publishing_client(config: MqttConfig, role: str, will: Will | None = None) -> FastReadingClient:
    """A client without a session that reconnects by itself; ``loop_start`` connects.

    Args:
        role: end of the client's id, different from the ingester's and from others.

    Raises:
        ConfigError: the address or a certificate file is wrong.
    """
    client = _client(config, publishing_id(config, role), will)
    client.reconnect_delay_set(*_RECONNECT_S)
    address = broker_address(config)
    properties = _connect_properties(config) if config.protocol == "5" else None
    client.connect_async(address.host, address.port, config.keepalive_s, properties=properties)
    return client


def broker_address(config: MqttConfig) -> BrokerAddress:
    """Take the broker's URL apart; user name and password of the configuration come first.

    Raises:
        ConfigError: the URL names no host, or a port that is none.
    """
    fault = ConfigError(
        f"mqtt.url is {redacted(config.url)!r}; allowed: mqtt://HOST[:PORT] or mqtts://HOST[:PORT]"
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
    return BrokerAddress(parts.hostname, port, username, password, parts.scheme == "mqtts")


def _connect_properties(config: MqttConfig) -> Properties:
    """What every client of ours asks of an MQTT 5 broker: no packet that is too large."""
    connect = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
    connect.MaximumPacketSize = config.most_packet_bytes
    return connect


def _client(
    config: MqttConfig, client_id: str, will: Will | None, **options: Any
) -> FastReadingClient:
    address, context = broker_address(config), _tls_context(config)
    client = FastReadingClient(
        CallbackAPIVersion.VERSION2,
        client_id=client_id,
        protocol=MQTTProtocolVersion.MQTTv5
        if config.protocol == "5"
        else MQTTProtocolVersion.MQTTv311,
        **options,
    )
    client.most_bytes = config.most_packet_bytes
    if will is not None:
        client.will_set(will.topic, will.payload, will.qos, retain=True)
    if address.username is not None:
        client.username_pw_set(address.username, address.password)
    if context is not None:
        client.tls_set_context(context)
    return client


def _tls_context(config: MqttConfig) -> ssl.SSLContext | None:
    """Certificates and host name are checked, against ``ca_file`` or else the system's.

    None for a connection without TLS.
    """
    if not broker_address(config).tls:
        for key in ("ca_file", "cert_file", "key_file"):
            if getattr(config, key) is not None:
                raise ConfigError(
                    f"mqtt.{key} is set, but mqtt.url has no TLS; allowed: with mqtts:// only"
                )
        return None
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
    if config.ca_file is None:
        context.load_default_certs()
    else:
        try:
            context.load_verify_locations(config.ca_file)
        except (OSError, ValueError) as error:
            raise _wrong_file("mqtt.ca_file", config.ca_file, error) from error
    if config.cert_file is not None:
        try:
            context.load_cert_chain(config.cert_file, config.key_file)
        except (OSError, ValueError) as error:
            where = f"{config.cert_file}, mqtt.key_file is {config.key_file}"
            raise _wrong_file("mqtt.cert_file", where, error) from error
    elif config.key_file is not None:
        raise ConfigError("mqtt.key_file is set without mqtt.cert_file; allowed: both or neither")
    return context


def _wrong_file(key: str, path: str, error: Exception) -> ConfigError:
    return ConfigError(f"{key} is {path} ({error}); allowed: a PEM file that can be read")


def _nothing(*_: Any) -> None:
    return
