"""Who is let in: the pages ask whoever guards the API, and show a form to log in with a token."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import cast

from flask import (
    Blueprint,
    Flask,
    current_app,
    flash,
    redirect,
    render_template,
    request,
    session,
    url_for,
)
from werkzeug.wrappers import Response

from service.errors import LittoralError
from service.pages import browser_safety

EXTENSION = "littoral_gate"
UNAUTHORIZED = 401
_OPEN = ("pages.static", "pages.login", "pages.log_in", "pages.log_out")


@dataclass(frozen=True, slots=True)
class Gate:
    """What guards the service.

    Attributes:
        admit: lets the present request pass or raises; status 401 means: log in first.
        token_id: the id of the valid token that a secret belongs to, asked from an address.
        session_key: where the session keeps that id.
    """

    admit: Callable[[], None]
    token_id: Callable[[str, str], str]
    session_key: str


def attach(app: Flask, gate: Gate) -> None:
    """Make the gate known to the pages of an app."""
    app.extensions[EXTENSION] = gate


def register(pages: Blueprint) -> None:
    """Ask the gate before every page, and add the form to log in."""
    pages.before_request(_ask)
    pages.add_url_rule("/login", "login", _login_page)
    pages.add_url_rule("/login", "log_in", _log_in, methods=["POST"])
    pages.add_url_rule("/logout", "log_out", _log_out, methods=["POST"])


def logged_in() -> bool:
    """Whether this visitor came in with a token."""
    return _gate().session_key in session


def _ask() -> Response | None:
    if request.endpoint in _OPEN:
        return None
    try:
        _gate().admit()
    except LittoralError as error:
        if error.status != UNAUTHORIZED:
            raise
        return redirect(url_for("pages.login", next=_here()), 303)
    return None


def _login_page() -> str:
    return _login_form("", _local(request.args.get("next", "/")))


def _log_in() -> Response | tuple[str, int]:
    target = _local(request.form.get("next", "/"))
    try:
        browser_safety.check_form()
        secret = request.form.get("secret", "").strip()
        id = _gate().token_id(secret, request.remote_addr or "")
    except LittoralError as error:
        return _login_form(error.detail, target), error.status
    session.clear()
    session[_gate().session_key] = id
    return redirect(target, 303)


def _log_out() -> Response:
    browser_safety.check_form()
    session.clear()
    flash("Logged out.")
    return redirect(url_for("pages.login"), 303)


def _login_form(trouble: str, target: str) -> str:
    return render_template("pages/login.html", trouble=trouble, target=target)


def _here() -> str:
    """The address to come back to; after a form, the page of that address' tank."""
    return request.full_path.rstrip("?") if request.method == "GET" else "/"


def _local(address: str) -> str:
    """An address of this service, or its first page: never one of another site."""
    return address if address.startswith("/") and address[1:2] not in ("/", "\\") else "/"


def _gate() -> Gate:
    return cast(Gate, current_app.extensions[EXTENSION])
