"""Entity tags and conditional requests (RFC 9110): weak comparison to read, strong to write."""

from __future__ import annotations

import hashlib
from typing import Any, Final

from flask import Response, json, request

from service.api.http.responses import as_json
from service.registry.database.versions import Precondition

ETAG: Final = {
    "ETag": {"schema": {"type": "string"}, "description": "Version, for If-Match."},
}


def _header(name: str, doc: str) -> dict[str, Any]:
    schema = {"type": "string"}
    return {"name": name, "in": "header", "required": False, "description": doc, "schema": schema}


IF_MATCH: Final = _header("If-Match", "Only if it is still of this version (its ETag).")
IF_NEW: Final = _header("If-None-Match", "`*`: only if there is none yet.")
IF_CHANGED: Final = _header("If-None-Match", "304 if it is still of this version.")


def tag_of(body: Any) -> str:
    """The entity tag of a JSON body, without quotes."""
    text = json.dumps(body, sort_keys=True)
    return hashlib.sha256(text.encode("utf-8", "backslashreplace")).hexdigest()[:32]


def _tags(found: set[Any]) -> frozenset[str]:
    """The tags of a header; the empty one, which werkzeug reads as None, is no version's."""
    return frozenset(one for one in found if one is not None)


def precondition() -> Precondition:
    """What the request's headers ask for; the registry compares it in the write itself."""
    match, none_match = request.if_match, request.if_none_match
    versions = None
    if "If-Match" in request.headers and not match.star_tag:
        versions = _tags(match.as_set(include_weak=False))
    exists = False if none_match.star_tag else True if match.star_tag else None
    return Precondition(versions, _tags(none_match.as_set(include_weak=True)), exists)


def tagged(
    body: Any, status: int = 200, headers: dict[str, str] | None = None, *, tag: str | None = None
) -> Response:
    """A JSON response with its entity tag; 304 without a body where the client has it already.

    Args:
        tag: the version of what the body shows; None: a digest of the body.
    """
    response = as_json(body, status, headers)
    response.headers["Cache-Control"] = "no-cache"
    response.set_etag(tag_of(body) if tag is None else tag)
    if request.method in ("GET", "HEAD"):
        response.make_conditional(request)
    return response
