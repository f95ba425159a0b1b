"""Entity tags and conditional requests (RFC 9110): weak comparison to read, strong to write."""

from __future__ import annotations

import hashlib
from typing import Any

from flask import Response, json, request

from service.api.http.responses import as_json
from service.errors import LittoralError
from service.problems import PROBLEMS


class PreconditionFailedError(LittoralError):
    """If-Match or If-None-Match speaks of another version than the present one."""

    kind = PROBLEMS["precondition-failed"]


def tag_of(body: Any) -> str:
    """The entity tag of a JSON body, without quotes."""
    text = json.dumps(body, sort_keys=True)
    return hashlib.sha256(text.encode("utf-8", "backslashreplace")).hexdigest()[:32]


def check_preconditions(present: str | None) -> None:
    """Refuse to write if the request's conditions do not hold; without any, all is well.

    Args:
        present: entity tag of what is there; None: nothing is there.

    Raises:
        PreconditionFailedError: another version is there, or none, or one at all.
    """
    if request.if_match and (present is None or not request.if_match.contains(present)):
        shown = "nothing" if present is None else f'"{present}"'
        raise PreconditionFailedError(f"If-Match names another version; present is {shown}")
    unwanted = request.if_none_match
    if unwanted and present is not None and unwanted.contains_weak(present):
        raise PreconditionFailedError("If-None-Match: there is one already")


def tagged(body: Any, status: int = 200, headers: dict[str, str] | None = None) -> Response:
    """A JSON response with its entity tag; 304 without a body where the client has it already."""
    response = as_json(body, status, headers)
    response.headers["Cache-Control"] = "no-cache"
    response.set_etag(tag_of(body))
    if request.method in ("GET", "HEAD"):
        response.make_conditional(request)
    return response
