"""Security headers of the pages and their session cookie."""

from __future__ import annotations

from typing import Final

from flask import Flask, Response, request
from flask.sessions import SecureCookieSessionInterface

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
