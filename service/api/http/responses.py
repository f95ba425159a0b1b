"""JSON responses of views that build their body themselves."""

from __future__ import annotations

from typing import Any

from flask import Response, json


def as_json(body: Any, status: int = 200, headers: dict[str, str] | None = None) -> Response:
    """A JSON response."""
    response = Response(json.dumps(body) + "\n", status=status, mimetype="application/json")
    response.headers.update(headers or {})
    return response
