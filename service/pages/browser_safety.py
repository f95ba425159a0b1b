"""What keeps the pages safe in a browser: headers, the session cookie, the token of forms."""

from __future__ import annotations

import hmac
import secrets
from typing import Final
from urllib.parse import urlsplit

from flask import Flask, Response, request, session
from flask.sessions import SecureCookieSessionInterface

from service.errors import LittoralError
from service.problems import PROBLEMS

TOKEN: Final = "form_token"
POLICY: Final = "; ".join(
    (
        "default-src 'none'",
        "script-src 'self'",
        "style-src 'self'",
        "img-src 'self'",
        "connect-src 'self'",
        "form-action 'self'",
        "base-uri 'none'",
        "frame-ancestors 'none'",
    )
)
HEADERS: Final = {
    "Content-Security-Policy": POLICY,
    "X-Content-Type-Options": "nosniff",
    # Not "no-referrer": a browser would then send forms with "Origin: null".
    "Referrer-Policy": "same-origin",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Permissions-Policy": "camera=(), geolocation=(), microphone=(), payment=(), usb=()",
}


class StaleFormError(LittoralError):
    """A form came without the token of the session it was sent in."""

    kind = PROBLEMS["forbidden"]


class _Sessions(SecureCookieSessionInterface):
    def get_cookie_secure(self, app: Flask) -> bool:
        """Only over TLS where the page came over TLS."""
        return request.is_secure


def install(app: Flask, key: bytes) -> None:
    """Set up the session cookie of an app, signed with a key."""
    app.session_interface = _Sessions()
    app.config["SESSION_COOKIE_NAME"] = "littoral_page"
    app.config["SESSION_COOKIE_SAMESITE"] = "Strict"
    app.config["SESSION_COOKIE_HTTPONLY"] = True
    app.secret_key = key


def secure(response: Response) -> Response:
    """The response with the headers of every page."""
    response.headers.update(HEADERS)
    if response.mimetype == "text/html":
        response.headers["Cache-Control"] = "private, no-cache"
    return response


def form_token() -> str:
    """The token that every form of this session carries."""
    if TOKEN not in session:
        session[TOKEN] = secrets.token_urlsafe(24)
    return str(session[TOKEN])


def check_form() -> None:
    """Refuse a form that was not made by a page of this session.

    Raises:
        StaleFormError: from another origin, or with another token.
    """
    origin = request.headers.get("Origin")
    foreign = origin is not None and urlsplit(origin).netloc != request.host
    given = request.form.get(TOKEN, "").encode()
    if foreign or not hmac.compare_digest(given, str(session.get(TOKEN, "")).encode()) or not given:
        raise StaleFormError("nothing was changed: this page was open for too long; send it again")
