"""Requests of this machine and of the service's own pages: what a caller without a token must show.

While no token was ever made, whoever is on this machine is let in. A request shows that by the
address it comes from, by the name it calls the service, and by no trace of a proxy in between. A
session's cookie and such a request prove nothing where a browser sends them for another site.
"""

from __future__ import annotations

import ipaddress
import re
from typing import Final

from flask import Request

from service.api.http.access.rules import ForbiddenError, UnauthorizedError
from service.config import HttpConfig

_HOST: Final = re.compile(r"(\[[0-9A-Fa-f:.]+\]|[A-Za-z0-9.-]+)(?::[0-9]{1,5})?")
_PROXY_NAMES: Final = re.compile(
    r"Via|Forwarded|X-Forwarded(-.*)?|X-Original(-.*)?|(.*-)?Real-Ip|(.*-)?Client-Ip|"
    r"(.*-)?Connecting-Ip|(.*-)?Forwarded-For|Proxy-.*|X-Proxy.*|Cdn-Loop",
    re.IGNORECASE,
)
"""Request headers that proxies add (RFC 9110, RFC 7239, and customary ones of before)."""

_WAY_OUT: Final = (
    "make a token on this machine with: littoral token create NAME --scope write; "
    "then set http.trusted_proxy to the address of the proxy"
)


def refuse_other_machines(asked: Request, http: HttpConfig) -> None:
    """Refuse what does not certainly come from this machine itself.

    Raises:
        UnauthorizedError: it comes from another machine, or a proxy is configured.
        ForbiddenError: a proxy passed it on, or it calls the service by a name that is not this
            machine's: one that an attacker's DNS points here.
    """
    if http.trusted_proxy is not None:
        raise UnauthorizedError(
            "a reverse proxy is configured (http.trusted_proxy), and no token is set up; "
            "make one on this machine with: littoral token create NAME --scope write"
        )
    if not is_loopback(asked.remote_addr or ""):
        raise UnauthorizedError(
            "no token is set up, so only this machine may use the service; make one there with: "
            "littoral token create NAME --scope read"
        )
    trace = _trace_of_proxy(asked)
    if trace:
        raise ForbiddenError(
            f"a proxy passed the request on ({trace}), and no token is set up, so only requests "
            f"straight from this machine are accepted; {_WAY_OUT}"
        )
    _refuse_other_names(asked, http)


def refuse_other_sites(asked: Request) -> None:
    """Refuse what a browser sends for another site: cookie and address prove nothing there.

    Raises:
        ForbiddenError: a page of another origin made the request.
    """
    origin = asked.headers.get("Origin")
    if origin is not None and origin.partition("://")[2] != asked.host:
        raise ForbiddenError(f"Origin is {origin[:60]!r}; allowed: the service's own")
    if asked.headers.get("Sec-Fetch-Site", "none") == "cross-site":
        raise ForbiddenError("Sec-Fetch-Site is cross-site; allowed: the service's own pages")


def _trace_of_proxy(asked: Request) -> str:
    """What shows that a proxy passed a request on; "" for nothing.

    Programs that ask a server themselves name only the path of what they want, and speak HTTP/1.1.
    """
    for name in asked.headers.keys():  # noqa: SIM118 - iterating gives pairs
        if _PROXY_NAMES.fullmatch(name):
            return f"header {name[:40]}"
    if asked.environ.get("REQUEST_URI", "/")[:1] != "/":
        return "the request line names a whole address"
    if asked.environ.get("SERVER_PROTOCOL") == "HTTP/1.0":
        return "HTTP/1.0"
    return ""


def _refuse_other_names(asked: Request, http: HttpConfig) -> None:
    given = asked.headers.get("Host", "")
    match = _HOST.fullmatch(given)
    name = match[1].strip("[]").lower() if match else ""
    bracketed = given.startswith("[")
    if name in ("localhost", http.host.lower()) and bracketed == (":" in name):
        return
    if not name or bracketed != (":" in name) or not is_loopback(name):
        allowed = "localhost, 127.0.0.1 or [::1], and a port"
        raise ForbiddenError(f"Host is {given[:60]!r}; allowed without any token: {allowed}")


def is_loopback(name: str) -> bool:
    """Whether an address is this machine's own."""
    try:
        return ipaddress.ip_address(name).is_loopback
    except ValueError:
        return False
