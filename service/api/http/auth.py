"""Authentication and authorization of requests: bearer tokens and the pages' session.

Without any token the service trusts its own machine, and then only requests that name it by a
loopback name: the page of another site in a browser on that machine is refused.
"""

from __future__ import annotations

import ipaddress
from dataclasses import dataclass
from datetime import datetime
from typing import Final
from urllib.parse import urlsplit

from flask import Flask, Request, current_app, g, request, session

from service.api.context import app_singleton, current, now
from service.api.http.rate_limit import RateLimits
from service.errors import LittoralError, NotFoundError
from service.problems import PROBLEMS
from service.registry import secret_hashes
from service.registry.access import Scope, Token
from service.registry.registry import Registry
from service.registry.repositories.tokens import PREFIX

SESSION_KEY: Final = "access_token_id"
"""Key in the pages' signed session: id of the token that somebody logged in with."""

_SAFE: Final = ("GET", "HEAD", "OPTIONS")
_STATELESS: Final = ("/v1/calculate/",)
_ADMIN: Final = (
    ("DELETE", "/v1/tanks/<tank>"),
    ("POST", "/v1/webhooks/deliveries/<id>/redeliver"),
)


class UnauthorizedError(LittoralError):
    """No valid token."""

    kind = PROBLEMS["unauthorized"]

    def __init__(self, detail: str) -> None:
        super().__init__(detail)
        self.headers = {"WWW-Authenticate": 'Bearer realm="littoral"'}


class ForbiddenError(LittoralError):
    """A valid request of somebody who may not make it."""

    kind = PROBLEMS["forbidden"]


@dataclass(frozen=True, slots=True)
class Caller:
    """Who makes a request.

    Attributes:
        name: of the token; the address where there is no token.
        scope: what is allowed.
        token: id of the token; "" where there is none.
    """

    name: str
    scope: Scope
    token: str = ""

    @property
    def key(self) -> str:
        """What its requests are counted by: the token, or the address where there is none."""
        return self.token or self.name


def install(app: Flask) -> None:
    """Check every request to a guarded address of an app before its view runs."""

    @app.before_request
    def check() -> None:
        if not is_guarded(request.path):
            return
        g.caller = admit(request)


def admit(asked: Request) -> Caller:
    """Authenticate and authorize a request, and count it if it changes or calculates something.

    Raises:
        UnauthorizedError: a token is needed and there is no valid one.
        ForbiddenError: the token's scope is too small, or another site makes the request.
        TooManyRequestsError: too many changes or calculations, or wrong tokens from this address.
    """
    caller = identify(asked)
    needed = scope_needed(asked)
    if not caller.scope.covers(needed):
        raise ForbiddenError(f"the token's scope is {caller.scope}; needed: {needed}")
    if needed is not Scope.READ:
        rate_limits().count_write(caller.key)
    elif asked.method not in _SAFE:
        rate_limits().count_calculation(caller.key)
    return caller


def is_guarded(path: str) -> bool:
    """Whether an address shows or changes what belongs to the tanks."""
    return path.startswith("/v1/") or path == "/metrics"


def scope_needed(asked: Request) -> Scope:
    """The scope that a request needs."""
    rule = asked.url_rule.rule if asked.url_rule else asked.path
    return scope_of(asked.method, rule)


def scope_of(method: str, rule: str) -> Scope:
    """The scope that a method of an address needs, the address as in Flask's rules."""
    if method in _SAFE or rule.startswith(_STATELESS) or rule.endswith("/what-if"):
        return Scope.READ
    return Scope.ADMIN if (method, rule) in _ADMIN else Scope.WRITE


def identify(asked: Request) -> Caller:
    """Who makes a request.

    Raises:
        UnauthorizedError: a token is needed and there is no valid one.
        ForbiddenError: a browser makes the request for another site.
        TooManyRequestsError: too many wrong tokens came from this address.
    """
    if asked.headers.get("Authorization") is not None:
        token = token_of_header(asked)
        return Caller(token.name, token.scope, token.id)
    logged_in = _token_of_session()
    if logged_in is not None:
        _refuse_other_sites(asked)
        return Caller(logged_in.name, logged_in.scope, logged_in.id)
    if current().registry.has_tokens():
        raise UnauthorizedError("send the header Authorization: Bearer SECRET")
    _refuse_other_machines(asked)
    _refuse_other_names(asked)
    _refuse_other_sites(asked)
    return Caller(asked.remote_addr or "", Scope.ADMIN)


def still_admitted(caller: Caller, registry: Registry, now: datetime) -> bool:
    """Whether a caller who was admitted earlier would be admitted now."""
    if not caller.token:
        return not registry.has_tokens()
    try:
        return registry.token(caller.token).valid(now)
    except NotFoundError:
        return False


def token_of_header(asked: Request) -> Token:
    """The token of a request's Authorization header.

    Raises:
        UnauthorizedError: another scheme than Bearer (or, for reading, Basic), or no valid token.
        TooManyRequestsError: too many wrong tokens came from this address.
    """
    given = asked.authorization
    scheme = asked.headers["Authorization"].partition(" ")[0]
    if given is not None and given.type == "bearer" and given.token:
        return token_of_secret(given.token, asked.remote_addr or "")
    # A browser sends Basic by itself, also for other sites' pages: it opens to readers only.
    if given is not None and given.type == "basic" and asked.method in _SAFE:
        return token_of_secret(given.password or "", asked.remote_addr or "")
    raise UnauthorizedError(
        f"the scheme is {scheme[:20]!r}; allowed: Bearer and a secret, or for reading Basic with "
        "the secret as password"
    )


def token_of_secret(secret: str, address: str) -> Token:
    """The valid token of a secret; the pages' log-in asks here too.

    Raises:
        UnauthorizedError: there is none.
        TooManyRequestsError: too many wrong ones came from this address.
    """
    limits = rate_limits()
    token = current().registry.token_of(secret, now())
    where = _network(address)
    meant = token.id if token else _meant(secret)
    # Also the right secret is refused while its token is blocked: guessing would go on otherwise.
    limits.refuse_guessing(where, meant)
    if token is None:
        limits.count_refusal(where, meant)
        raise UnauthorizedError("the token is not known, has expired, or is revoked")
    return token


def rate_limits() -> RateLimits:
    """The rate limits of the app that serves this request."""
    return app_singleton(RateLimits, lambda context: RateLimits(context.config.http))


def _meant(secret: str) -> str:
    """The token that a wrong secret was meant for, "" for none.

    Wrong secrets count for each token apart, so that a program with an old one does not shut out
    others at its address.
    """
    id = secret_hashes.id_of(secret, PREFIX)
    try:
        return current().registry.token(id).id if id else ""
    except NotFoundError:
        return ""


def _network(address: str) -> str:
    """An address as wrong secrets are counted by: for IPv6 its network of 64 bits."""
    try:
        parsed = ipaddress.ip_address(address)
    except ValueError:
        return address
    if parsed.version == 4:
        return address
    return str(ipaddress.ip_network((parsed, 64), strict=False).network_address)


def _token_of_session() -> Token | None:
    """The token that the pages' session was opened with, while it is valid."""
    if not current_app.secret_key or SESSION_KEY not in session:
        return None
    try:
        token = current().registry.token(str(session[SESSION_KEY]))
    except NotFoundError:
        return None
    return token if token.valid(now()) else None


def _refuse_other_machines(asked: Request) -> None:
    """Without any token this machine alone, whatever address is listened on."""
    if not _is_loopback(asked.remote_addr or ""):
        raise UnauthorizedError(
            "no token is set up, so only this machine is let in; make one there with: "
            "littoral token create NAME --scope read"
        )


def _refuse_other_names(asked: Request) -> None:
    """A name that an attacker's DNS points at this machine is no loopback name."""
    try:
        name = urlsplit(f"//{asked.host}").hostname or ""
    except ValueError:
        name = ""
    if name == "localhost" or name == current().config.http.host:
        return
    if not _is_loopback(name):
        allowed = "localhost, 127.0.0.1 or ::1"
        raise ForbiddenError(f"Host is {asked.host[:60]!r}; allowed without any token: {allowed}")


def _is_loopback(name: str) -> bool:
    try:
        return ipaddress.ip_address(name).is_loopback
    except ValueError:
        return False


def _refuse_other_sites(asked: Request) -> None:
    """Refuse what a browser sends for another site: cookie and address prove nothing there."""
    origin = asked.headers.get("Origin")
    if origin is not None and origin.partition("://")[2] != asked.host:
        raise ForbiddenError(f"Origin is {origin[:60]!r}; allowed: the service's own")
    if asked.headers.get("Sec-Fetch-Site", "none") == "cross-site":
        raise ForbiddenError("Sec-Fetch-Site is cross-site; allowed: the service's own pages")
