"""Authentication of the pages: as for the API, with a form to log in with a token."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from flask import (
    Blueprint,
    Flask,
    flash,
    g,
    make_response,
    redirect,
    render_template,
    request,
    session,
    url_for,
)
from werkzeug.wrappers import Response

from service.api.context import current, now
from service.api.http.access import auth
from service.api.http.access.auth import SESSION_KEY
from service.api.http.access.own_machine import refuse_other_sites
from service.api.http.access.rules import UnauthorizedError
from service.errors import LittoralError
from service.pages.browser import csrf, error_pages, headers
from service.pages.browser.own_address import own_page
from service.registry.audit import acting_as
from service.registry.models.access import Token


def register(pages: Blueprint) -> None:
    """Add the form to log in, and show it to whoever asks for a page without a valid token."""
    pages.register_error_handler(UnauthorizedError, ask_to_log_in)
    pages.add_url_rule("/login", "login", _login_page)
    pages.add_url_rule("/login", "log_in", _log_in, methods=["POST"])
    pages.add_url_rule("/logout", "log_out", _log_out, methods=["POST"])


def logged_in() -> bool:
    """Whether this visitor came in with a token."""
    return SESSION_KEY in session


def ask_to_log_in(error: UnauthorizedError) -> Response | tuple[str, int]:
    """Lead to the form to log in; where no token was made, say what to do."""
    if not current().registry.has_tokens():
        return error_pages.refused(error)
    if session.pop(SESSION_KEY, None) is not None:
        flash("You are logged out: this session has ended.")
    return redirect(url_for("pages.login", next=_here()), 303)


def register_elsewhere(app: Flask) -> None:
    """Show the form also at an address that does not exist, to a browser.

    So nobody learns without a token which addresses there are.
    """
    before: Callable[[Any], Any] = app.error_handler_spec[None][None][LittoralError]

    def nothing_here(error: UnauthorizedError) -> Any:
        if request.endpoint is None and error_pages.is_for_people():
            return headers.secure(make_response(ask_to_log_in(error)))
        return before(error)

    app.register_error_handler(UnauthorizedError, nothing_here)


def _login_page() -> str:
    return _login_form("", own_page(request.args.get("next", "/")))


def _log_in() -> Response | tuple[str, int]:
    target = own_page(request.form.get("next", "/"))
    try:
        csrf.check_form()
        refuse_other_sites(request)
        secret = request.form.get("secret", "").strip()
        token = auth.token_of_secret(secret, request.remote_addr or "")
        auth.rate_limits().count_write(token.id)
    except LittoralError as error:
        return _login_form(error.detail, target), error.kind.status
    _begin_session(token)
    return redirect(target, 303)


def _begin_session(token: Token) -> None:
    """A new session under a new secret, whatever the cookie had before; that one is ended."""
    registry, before = current().registry, auth.session_of_cookie()
    expires = now() + current().config.http.session_lifetime
    if token.expires is not None:
        expires = min(expires, token.expires)
    with acting_as(auth.session_actor(token.id, token, request)):
        if before is not None:
            registry.end_session(before.id, now())
        _, secret = registry.create_session(token.id, now(), expires=expires)
    session.clear()  # also the token of forms
    session[SESSION_KEY] = secret


def _log_out() -> Response:
    csrf.check_form()
    if g.caller.session:
        current().registry.end_session(g.caller.session, now())
    session.clear()
    flash("Logged out.")
    return redirect(url_for("pages.login"), 303)


def _login_form(trouble: str, target: str) -> str:
    return render_template("pages/login.html", trouble=trouble, target=target)


def _here() -> str:
    """The address to come back to; after a form, the page of that address' tank."""
    return request.full_path.rstrip("?") if request.method == "GET" else "/"
