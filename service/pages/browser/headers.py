"""Policy of the pages."""

from __future__ import annotations

from flask import Response

from service.api.http.security_headers import PAGES, POLICY


def secure(response: Response) -> Response:
    """The response with the policy of every page."""
    response.headers[POLICY] = PAGES
    if response.mimetype == "text/html":
        response.headers["Cache-Control"] = "private, no-cache"
    return response
