"""Authentication and authorization of requests: bearer tokens and the pages' session.

Every request authenticates, unless its endpoint is in ``access_rules.OPEN``. Without any token the
service trusts its own machine (``own_machine``).
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import timedelta
from typing import Final

from flask import Flask, Request, current_app, g, request, session

from service.api.context import Context, app_singleton, current, now
from service.api.http.access.own_machine import refuse_other_machines, refuse_other_sites
from service.api.http.access.rules import OPEN, ForbiddenError, UnauthorizedError, is_safe, scope_of
from service.api.http.limits.rate_limit import RateLimits, network_of
from service.errors import LittoralError, NotFoundError
from service.registry import secret_hashes
from service.registry.audit import Action, Actor, ActorKind, AuditedWrite, act_as
from service.registry.models.access import LoginSession, Scope, Token
from service.registry.repositories.access.tokens import PREFIX

SESSION_KEY: Final = "login"
"""Key in the pages' signed cookie: the secret of the session in the registry."""

REFUSALS_RECORDED: Final = timedelta(minutes=1)
"""A wrong secret is recorded at most so often for each address and token meant."""


@dataclass(frozen=True, slots=True)
class Caller:
    """Who makes a request.

    Attributes:
        name: of the token; the address where there is no token.
        scope: what is allowed.
        actor: who is recorded for what is written.
        token: id of the token; "" where there is none.
        session: id of the pages' session; "" where the request itself shows the token, or none.
    """

    name: str
    scope: Scope
    actor: Actor
    token: str = ""
    session: str = ""

    @property
    def key(self) -> str:
        """What its requests are counted by: the token, or the address where there is none."""
        return self.token or self.name


def install(app: Flask) -> None:
    """Check every request to an app before its view runs, and what is no address of it too."""

    @app.before_request
    def check() -> None:
        act_as(Actor(ActorKind.NOBODY, address=request.remote_addr or ""))
        if request.endpoint not in OPEN:
            g.caller = admit(request)
            act_as(g.caller.actor)

    @app.teardown_request
    def forget(_: BaseException | None) -> None:
        act_as(None)


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
    elif not is_safe(asked.method):
        rate_limits().count_calculation(caller.key)
    return caller


def scope_of_visitor() -> Scope | None:
    """The scope of who makes this request, also on a page that is open to all; None: nobody known.

    There only a session, or this machine while there is no token, is somebody.
    """
    caller: Caller | None = g.get("caller")
    if caller is None and "Authorization" not in request.headers:
        try:
            caller = identify(request)
        except LittoralError:
            return None
    return None if caller is None else caller.scope


def scope_needed(asked: Request) -> Scope:
    """The scope that a request needs."""
    rule = asked.url_rule.rule if asked.url_rule else asked.path
    return scope_of(asked.method, rule)


def identify(asked: Request) -> Caller:
    """Who makes a request.

    Raises:
        UnauthorizedError: a token is needed and there is no valid one.
        ForbiddenError: a browser makes the request for another site.
        TooManyRequestsError: too many wrong tokens came from this address.
    """
    if asked.headers.get("Authorization") is not None:
        token = token_of_header(asked)
        address = asked.remote_addr or ""
        actor = Actor(ActorKind.TOKEN, token.id, token.name, address)
        return Caller(token.name, token.scope, actor, token.id)
    begun = session_of_cookie()
    if begun is not None:
        refuse_other_sites(asked)
        token = current().registry.token(begun.token)
        actor = session_actor(begun.id, token, asked)
        return Caller(token.name, token.scope, actor, token.id, begun.id)
    if current().registry.has_tokens():
        raise UnauthorizedError("send the header Authorization: Bearer SECRET")
    refuse_other_machines(asked, current().config.http)
    refuse_other_sites(asked)
    address = asked.remote_addr or ""
    return Caller(address, Scope.ADMIN, Actor(ActorKind.MACHINE, address=address))


def session_actor(id: str, token: Token, asked: Request) -> Actor:
    """Who is recorded for what is written in a session."""
    return Actor(ActorKind.SESSION, id, token.name, asked.remote_addr or "")


def still_admitted(caller: Caller, context: Context) -> bool:
    """Whether a caller who was admitted earlier would be admitted now."""
    registry, now = context.registry, context.clock.now()
    if not caller.token:
        return not registry.has_tokens()
    try:
        if caller.session and not is_active(registry.login_session(caller.session), context):
            return False
        return registry.token(caller.token).valid(now)
    except NotFoundError:
        return False


def is_active(found: LoginSession, context: Context) -> bool:
    """Whether a session lets somebody in now, as far as its own ends go."""
    return found.active(context.clock.now(), context.config.http.session_idle)


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
    if given is not None and given.type == "basic" and is_safe(asked.method):
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
    where = network_of(address)
    meant = token.id if token else _meant(secret)
    # Also the right secret is refused while its token is blocked: guessing would go on otherwise.
    limits.refuse_guessing(where, meant)
    if token is None:
        limits.count_refusal(where, meant)
        if limits.may_record_refusal():
            subject = f"tokens/{meant}" if meant else "tokens"
            refused = AuditedWrite(Action.LOGIN_REFUSED, subject, at_most_every=REFUSALS_RECORDED)
            current().registry.record(refused)
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


def session_of_cookie() -> LoginSession | None:
    """The active session that the pages' cookie shows, of a valid token; None without one."""
    if not current_app.secret_key or SESSION_KEY not in session:
        return None
    context = current()
    idle = context.config.http.session_idle
    found = context.registry.session_of(str(session[SESSION_KEY]), now(), idle)
    if found is None or not context.registry.token(found.token).valid(now()):
        return None
    return found
