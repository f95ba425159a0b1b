"""Headers by which browsers restrict what an answer may do: on every answer, stated once."""

from __future__ import annotations

from types import MappingProxyType
from typing import Final

from flask import Flask, Response

POLICY: Final = "Content-Security-Policy"

NO_PAGE: Final = "default-src 'none'; frame-ancestors 'none'"
"""For what is no page: nothing of it runs or loads, wherever it is opened."""

PAGES: Final = "; ".join(
    (
        NO_PAGE,
        "script-src 'self'",
        "style-src 'self'",
        "img-src 'self'",
        "connect-src 'self'",
        "form-action 'self'",
        "base-uri 'none'",
    )
)
"""For the pages: everything from the service itself, nothing written into a page."""

INSTALLED_PAGE: Final = f"{PAGES}; manifest-src 'self'; worker-src 'self'"
"""For a page that can be put on a home screen and works without a connection."""

EVERYWHERE: Final = MappingProxyType(
    {
        POLICY: NO_PAGE,
        "X-Content-Type-Options": "nosniff",
        # Not "no-referrer": a browser would then send forms with "Origin: null".
        "Referrer-Policy": "same-origin",
        "Cross-Origin-Opener-Policy": "same-origin",
        "Cross-Origin-Resource-Policy": "same-origin",
        "Permissions-Policy": "camera=(), geolocation=(), microphone=(), payment=(), usb=()",
    }
)
"""On every answer; those with a policy of their own keep it."""
_BY_LOWER_NAME: Final = tuple((name.lower(), name, value) for name, value in EVERYWHERE.items())


def install(app: Flask) -> None:
    """Put the headers on every answer of an app, also on errors and static files."""

    @app.after_request
    def secure(response: Response) -> Response:
        own = set(response.headers.keys(lower=True))  # "setdefault" would search them for each
        for lower, name, value in _BY_LOWER_NAME:
            if lower not in own:
                response.headers.add(name, value)
        return response
