"""Paths and their parameters, as the document writes them."""

from __future__ import annotations

from typing import Any, Final

from service.schemas.fields import Name


def document_path(rule: str) -> str:
    """The path of the document that belongs to a rule of Flask."""
    return rule.replace("<", "{").replace(">", "}")


def _path(name: str, doc: str, schema: dict[str, Any]) -> list[dict[str, Any]]:
    return [
        {"name": name, "in": "path", "required": True, "description": doc, "schema": schema},
    ]


TANK: Final = _path("tank", "Id of the tank.", Name().openapi())
ENTRY: Final = _path("entry", "Id of the log entry.", Name().openapi())
PICTURE: Final = _path("picture", "Id of the picture.", {"type": "string"})
DELIVERY: Final = _path("id", "Id of the delivery.", {"type": "string"})
RECOMMENDATION: Final = _path("id", "Id of the recommendation.", {"type": "string"})
TRIAL: Final = _path("trial", "Id of the trial.", Name().openapi())
SHARE: Final = _path("id", "Id of the sharing link.", {"type": "string"})
ROUTE: Final = _path("id", "Id of the route.", {"type": "string"})
SESSION: Final = _path("id", "Id of the session.", {"type": "string"})
SECRET: Final = _path("secret", "Of a sharing link.", {"type": "string"})
