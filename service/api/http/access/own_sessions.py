"""Which sessions of the pages a caller may see and end: those of their own token; an admin, all."""

from __future__ import annotations

from flask import g

from service.api.context import current, now
from service.api.http.access.auth import Caller
from service.api.http.access.rules import ForbiddenError
from service.errors import NotFoundError, shown
from service.registry.models.access import LoginSession, Scope


def caller() -> Caller:
    """Who makes this request."""
    admitted: Caller = g.caller
    return admitted


def visible_sessions(token: str | None = None) -> list[LoginSession]:
    """The sessions that the caller may see, newest first.

    Args:
        token: only of the token of this id.

    Raises:
        ForbiddenError: it is another's token, and the caller is no admin.
    """
    return current().registry.login_sessions(_token_of(token))


def end_own_session(id: str) -> LoginSession:
    """End one session that the caller may see.

    Raises:
        NotFoundError: there is none of this id that the caller may see.
    """
    found = current().registry.login_session(id)
    if not _is_admin() and found.token != caller().token:
        raise NotFoundError(f"session is {shown(id)}; allowed: the id of a session in the list")
    return current().registry.end_session(id, now())


def end_own_sessions(token: str | None = None, *, but: str = "") -> list[LoginSession]:
    """End the sessions of the caller's own token, or of one that is named; returns those ended.

    Args:
        but: id of one that goes on.

    Raises:
        ForbiddenError: it is another's token, and the caller is no admin.
    """
    meant = caller().token if token is None else _token_of(token)
    return current().registry.end_sessions(now(), token=meant, but=but)


def _token_of(token: str | None) -> str | None:
    """The token whose sessions are meant; None: all."""
    if _is_admin():
        return token
    own = caller().token
    if token not in (None, own):
        raise ForbiddenError("the sessions of another token need the scope admin")
    return own


def _is_admin() -> bool:
    return caller().scope.covers(Scope.ADMIN)
