"""Security headers of the pages."""

from __future__ import annotations

from typing import Final

from flask import Response

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


def secure(response: Response) -> Response:
    """The response with the headers of every page."""
    response.headers.update(HEADERS)
    if response.mimetype == "text/html":
        response.headers["Cache-Control"] = "private, no-cache"
    return response
