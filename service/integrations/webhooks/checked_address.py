"""HTTP connections that go only to addresses that are allowed.

A host name is resolved once, every address that it resolves to is checked, and the connection is
made to a checked address: no second look-up can lead elsewhere, and a name that resolves to a
public and a private address at once is refused as a whole.
"""

from __future__ import annotations

import socket
from collections.abc import Callable
from ipaddress import ip_address
from typing import Any

import requests
from requests.adapters import HTTPAdapter
from urllib3.connection import HTTPConnection, HTTPSConnection
from urllib3.connectionpool import HTTPConnectionPool, HTTPSConnectionPool
from urllib3.exceptions import ConnectTimeoutError, HTTPError, NewConnectionError

from service.config.addresses import Networks, is_public
from service.errors import LittoralError


class AddressRefusedError(LittoralError):
    """A target lies where this service must not send."""


def checked(host: str, port: int, allowed: Networks, *, plain: bool) -> list[str]:
    """Addresses of a host, all of them allowed.

    Args:
        allowed: networks that are allowed although they are not public.
        plain: the connection is not encrypted: then only ``allowed`` counts.

    Raises:
        AddressRefusedError: one of the addresses is not allowed.
        OSError: the name cannot be resolved.
    """
    found = socket.getaddrinfo(host, port, type=socket.SOCK_STREAM)
    texts = list(dict.fromkeys(str(sockaddr[0]) for *_, sockaddr in found))
    for text in texts:
        address = ip_address(text)
        if any(address in network for network in allowed):
            continue
        if plain:
            raise AddressRefusedError(
                f"{host} is {text}; allowed without TLS: addresses in allow_networks; else https://"
            )
        if not is_public(address):
            raise AddressRefusedError(
                f"{host} is {text}; allowed: public addresses, and those in allow_networks"
            )
    return texts


def session(allowed: Networks, ca_file: str | None = None) -> requests.Session:
    """A session that connects to checked addresses only, follows no proxy of the environment."""
    made = requests.Session()
    made.trust_env = False
    if ca_file is not None:
        made.verify = ca_file
    for prefix in ("http://", "https://"):
        made.mount(prefix, _CheckedAdapter(allowed))
    return made


class _CheckedAdapter(HTTPAdapter):
    """Makes every connection through ``checked``."""

    def __init__(self, allowed: Networks) -> None:
        self._allowed = allowed
        super().__init__(max_retries=0)

    def init_poolmanager(self, *args: Any, **kwargs: Any) -> None:
        """See ``HTTPAdapter``."""
        super().init_poolmanager(*args, **kwargs)
        allowed = self._allowed

        class Plain(HTTPConnection):
            def _new_conn(self) -> socket.socket:
                return _connect(self, super()._new_conn, allowed, plain=True)

        class Encrypted(HTTPSConnection):
            def _new_conn(self) -> socket.socket:
                return _connect(self, super()._new_conn, allowed, plain=False)

        class PlainPool(HTTPConnectionPool):
            ConnectionCls = Plain

        class EncryptedPool(HTTPSConnectionPool):
            ConnectionCls = Encrypted

        self.poolmanager.pool_classes_by_scheme = {"http": PlainPool, "https": EncryptedPool}


def _connect(
    connection: HTTPConnection,
    connect: Callable[[], socket.socket],
    allowed: Networks,
    *,
    plain: bool,
) -> socket.socket:
    """Connect to the first checked address that answers.

    ``_dns_host`` is where urllib3 connects to, ``host`` (a view of it) what TLS is checked
    against; so it is set for the moment of connecting only.
    """
    name = connection._dns_host
    try:
        addresses = checked(name, connection.port or 0, allowed, plain=plain)
    except OSError as error:
        raise NewConnectionError(connection, f"{name} cannot be resolved: {error}") from error
    failure: HTTPError | None = None
    try:
        for address in addresses:
            connection._dns_host = address
            try:
                return connect()
            except (NewConnectionError, ConnectTimeoutError) as error:
                failure = error
    finally:
        connection._dns_host = name
    assert failure is not None
    raise failure
