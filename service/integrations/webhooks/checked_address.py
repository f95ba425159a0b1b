"""HTTP connections that go only to addresses that are allowed.

A host name is resolved once, every address that it resolves to is checked, and the connection is
made to a checked address: no second look-up can lead elsewhere, and a name that resolves to a
public and a private address at once is refused as a whole.
"""

from __future__ import annotations

import socket
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from ipaddress import ip_address
from typing import Any, Final

import requests
from requests.adapters import HTTPAdapter
from urllib3.connection import HTTPConnection, HTTPSConnection
from urllib3.connectionpool import HTTPConnectionPool, HTTPSConnectionPool
from urllib3.exceptions import ConnectTimeoutError, HTTPError, NewConnectionError

from service.config.addresses import Networks, is_public
from service.errors import LittoralError

MOST_TRIED: Final = 4
"""Addresses of one name that a connection is tried to, each with its time-out. Our choice."""


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


class CheckedSession(requests.Session):
    """Connects to checked addresses only, follows no redirect and no proxy of the environment."""

    def __init__(self, allowed: Networks, ca_file: str | None = None) -> None:
        """Prepare; ``ca_file`` has the certificates to trust instead of the system's."""
        super().__init__()
        self.trust_env = False
        if ca_file is not None:
            self.verify = ca_file
        #: Open sockets, by a second handle each: with TLS the first one is taken over.
        self._open: set[socket.socket] = set()
        for prefix in ("http://", "https://"):
            self.mount(prefix, _CheckedAdapter(allowed, self._open))

    def get_redirect_target(self, resp: requests.Response) -> str | None:
        """None: requests would read the whole body of a redirect, though nobody follows it."""
        return None

    @contextmanager
    def deadline(self, seconds: float) -> Iterator[threading.Event]:
        """End all connections after so many seconds, however slowly an answer drips in.

        Yields:
            Set when that has happened.
        """
        passed = threading.Event()

        def end() -> None:
            passed.set()
            for one in tuple(self._open):
                with suppress(OSError):  # closed meanwhile
                    one.shutdown(socket.SHUT_RDWR)

        timer = threading.Timer(seconds, end)
        timer.daemon = True
        timer.start()
        try:
            yield passed
        finally:
            timer.cancel()


class _CheckedAdapter(HTTPAdapter):
    """Makes every connection through ``checked``."""

    def __init__(self, allowed: Networks, open_sockets: set[socket.socket]) -> None:
        self._allowed = allowed
        self._open = open_sockets
        super().__init__(max_retries=0)

    def init_poolmanager(self, *args: Any, **kwargs: Any) -> None:
        """See ``HTTPAdapter``."""
        super().init_poolmanager(*args, **kwargs)
        allowed, open_sockets = self._allowed, self._open

        class Plain(HTTPConnection):
            handle: socket.socket | None = None

            def _new_conn(self) -> socket.socket:
                made = _connect(self, super()._new_conn, allowed, plain=True)
                self.handle = _watched(made, open_sockets)
                return made

            def close(self) -> None:
                _unwatch(self.handle, open_sockets)
                super().close()

        class Encrypted(HTTPSConnection):
            handle: socket.socket | None = None

            def _new_conn(self) -> socket.socket:
                made = _connect(self, super()._new_conn, allowed, plain=False)
                self.handle = _watched(made, open_sockets)
                return made

            def close(self) -> None:
                _unwatch(self.handle, open_sockets)
                super().close()

        class PlainPool(HTTPConnectionPool):
            ConnectionCls = Plain

        class EncryptedPool(HTTPSConnectionPool):
            ConnectionCls = Encrypted

        self.poolmanager.pool_classes_by_scheme = {"http": PlainPool, "https": EncryptedPool}


def _watched(connected: socket.socket, open_sockets: set[socket.socket]) -> socket.socket:
    handle = connected.dup()
    open_sockets.add(handle)
    return handle


def _unwatch(handle: socket.socket | None, open_sockets: set[socket.socket]) -> None:
    if handle is not None:
        open_sockets.discard(handle)
        handle.close()


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
        for address in addresses[:MOST_TRIED]:
            connection._dns_host = address
            try:
                return connect()
            except (NewConnectionError, ConnectTimeoutError) as error:
                failure = error
    finally:
        connection._dns_host = name
    assert failure is not None
    raise failure
