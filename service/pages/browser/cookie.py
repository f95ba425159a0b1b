"""The cookie of the pages: signed, with form token, messages and the secret of a session.

It gives no rights by itself: whoever is logged in has a session in the registry, found by its
secret. The key that signs it is in the registry too and may be replaced at any time.
"""

from __future__ import annotations

from datetime import timedelta
from typing import Final

from flask import Flask, Request, current_app, request
from flask.sessions import SecureCookieSession, SecureCookieSessionInterface

from service.api.context import current
from service.errors import LittoralError

LONGEST: Final = timedelta(days=366)


STATIC: Final = ("pages.static", "pages.static_without_hash")
"""Endpoints of files, which know nobody."""


class _Cookie(SecureCookieSessionInterface):
    def open_session(self, app: Flask, request: Request) -> SecureCookieSession | None:
        """What a request's cookie says, by the present key."""
        if self.get_cookie_name(app) not in request.cookies:
            return self.session_class()
        try:
            use_present_key()
        except LittoralError:  # authentication says why, where there is any; /healthz needs none
            return self.session_class()
        return super().open_session(app, request)

    def get_cookie_secure(self, app: Flask) -> bool:
        """Only over TLS where the page came over TLS."""
        return request.is_secure


def install(app: Flask, key: bytes) -> None:
    """Set up the cookie of an app, signed with a key at first."""
    app.session_interface = _Cookie()
    app.config["SESSION_COOKIE_NAME"] = "littoral_page"
    app.config["SESSION_COOKIE_SAMESITE"] = "Strict"
    app.config["SESSION_COOKIE_HTTPONLY"] = True
    # Only how old its signature may be: the session in the registry ends by the configuration.
    app.permanent_session_lifetime = LONGEST
    app.secret_key = key


def prepare_page() -> None:
    """Before a page that may have forms: they are signed with the same key as the cookie.

    Raises:
        LittoralError: the registry cannot be read.
    """
    if request.endpoint not in STATIC:
        use_present_key()


def use_present_key() -> None:
    """Sign with the key that the registry has now: another process may have replaced it.

    Raises:
        LittoralError: the registry cannot be read.
    """
    current_app.secret_key = current().registry.signing_key()
