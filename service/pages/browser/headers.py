"""Policy of the pages and their session cookie."""

from __future__ import annotations

from flask import Flask, Response, request
from flask.sessions import SecureCookieSessionInterface

from service.api.http.security_headers import PAGES, POLICY


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
    """The response with the policy of every page."""
    response.headers[POLICY] = PAGES
    if response.mimetype == "text/html":
        response.headers["Cache-Control"] = "private, no-cache"
    return response
