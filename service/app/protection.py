"""Whether the service would be open to other machines without any token."""

from __future__ import annotations

import ipaddress
import socket

from service.config import Config
from service.errors import ConfigError
from service.registry.registry import Registry


def require_protection(config: Config, registry: Registry) -> bool:
    """Whether access is by token; without any only this machine may be listened on, by no proxy.

    Raises:
        ConfigError: the service would be open to other machines.
    """
    guarded = registry.has_tokens()
    if not guarded and not is_loopback(config.http.host):
        raise ConfigError(
            f"http.host is {config.http.host!r}; allowed without any token: a loopback address "
            "such as 127.0.0.1; make a token first with: littoral token create NAME --scope read"
        )
    if not guarded and config.http.trusted_proxy is not None:
        raise ConfigError(
            f"http.trusted_proxy is {config.http.trusted_proxy!r}; allowed without any token: no "
            "proxy; make a token first with: littoral token create NAME --scope read"
        )
    return guarded


def is_loopback(host: str) -> bool:
    """Whether a host to listen on can be reached from this machine alone."""
    try:
        found = {info[4][0] for info in socket.getaddrinfo(host, None)}
    except OSError:
        return False
    return bool(found) and all(ipaddress.ip_address(one).is_loopback for one in found)
