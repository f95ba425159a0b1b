"""Authentication of the pages: as for the API, with a form to log in with a token."""

from __future__ import annotations

from flask import (
    Blueprint,
    flash,
    redirect,
    render_template,
    request,
    session,
    url_for,
)
from werkzeug.wrappers import Response

from service.api.http import auth
from service.api.http.auth import SESSION_KEY, UnauthorizedError
from service.errors import LittoralError
from service.pages.browser import csrf

_OPEN = ("pages.static", "pages.login", "pages.log_in", "pages.log_out")


def register(pages: Blueprint) -> None:
    """Authenticate before every page, and add the form to log in."""
    pages.before_request(_authenticate)
    pages.add_url_rule("/login", "login", _login_page)
    pages.add_url_rule("/login", "log_in", _log_in, methods=["POST"])
    pages.add_url_rule("/logout", "log_out", _log_out, methods=["POST"])


def logged_in() -> bool:
    """Whether this visitor came in with a token."""
    return SESSION_KEY in session


def _authenticate() -> Response | None:
    if request.endpoint in _OPEN:
        return None
    try:
        auth.admit(request)
    except UnauthorizedError:
        return redirect(url_for("pages.login", next=_here()), 303)
    return None


def _login_page() -> str:
    return _login_form("", _local(request.args.get("next", "/")))


def _log_in() -> Response | tuple[str, int]:
    target = _local(request.form.get("next", "/"))
    try:
        csrf.check_form()
        secret = request.form.get("secret", "").strip()
        token = auth.token_of_secret(secret, request.remote_addr or "")
    except LittoralError as error:
        return _login_form(error.detail, target), error.kind.status
    session.clear()
    session[SESSION_KEY] = token.id
    return redirect(target, 303)


def _log_out() -> Response:
    csrf.check_form()
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
