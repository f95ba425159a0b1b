"""Answers every error as problem+json (RFC 9457), with its headers."""

from __future__ import annotations

import logging
import uuid
from collections.abc import Mapping
from types import MappingProxyType
from typing import Final

from flask import Flask, Response, json, request
from werkzeug.exceptions import HTTPException

from service.api.http.problems.problem_json import MEDIA_TYPE, kind_of_status, problem
from service.errors import FieldFault, LittoralError
from service.problems import PROBLEMS, ProblemKind

log = logging.getLogger(__name__)

_DETAIL: Final = {
    413: "the body is larger than the {limit} bytes that are taken in one request",
    415: "the body's Content-Type is not one that is read here",
}


class TooLargeError(LittoralError):
    """The body is larger than an address takes."""

    kind = PROBLEMS["too-large"]

    def __init__(self, limit: int) -> None:
        super().__init__(_DETAIL[413].format(limit=limit))


def answer(
    kind: ProblemKind,
    detail: str,
    faults: tuple[FieldFault, ...] = (),
    *,
    instance: str | None = None,
    headers: Mapping[str, str] = MappingProxyType({}),
) -> Response:
    """The response of a problem with the present request."""
    body = problem(kind, detail, instance or request.path, faults)
    response = Response(json.dumps(body) + "\n", status=kind.status, mimetype=MEDIA_TYPE)
    response.headers.update(headers)
    return response


def register(app: Flask) -> None:
    """Make an app answer every error as a problem."""
    app.register_error_handler(LittoralError, _littoral)
    app.register_error_handler(HTTPException, _http)
    app.register_error_handler(Exception, _unexpected)


def _littoral(error: LittoralError) -> Response:
    if error.kind is PROBLEMS["internal"]:
        return _unexpected(error)
    if error.kind.status >= 500:
        log.error("%s %s: %s", request.method, logged_address(), error.detail)
    return answer(error.kind, error.detail, error.faults, headers=error.headers)


def _http(error: HTTPException) -> HTTPException | Response:
    if error.code is None or error.code < 400:
        return error  # a redirect
    detail = _DETAIL.get(error.code, "").format(limit=request.max_content_length)
    if error.code == 404:
        detail = f"there is nothing at {request.path}; see /docs"
    elif error.code == 405:
        allowed = ", ".join(sorted(getattr(error, "valid_methods", None) or ()))
        detail = f"{request.method} is not allowed here; allowed: {allowed}"
    headers = {name: value for name, value in error.get_headers() if name.lower() != "content-type"}
    return answer(kind_of_status(error.code), detail or str(error.description), headers=headers)


def logged_address() -> str:
    """The address as a log may keep it: without the secret of a sharing link."""
    rule = request.url_rule
    return rule.rule if rule is not None and "secret" in rule.arguments else request.path


def _unexpected(error: Exception) -> Response:
    instance = f"urn:uuid:{uuid.uuid4()}"
    log.error("%s %s failed, %s", request.method, logged_address(), instance, exc_info=error)
    return answer(
        PROBLEMS["internal"],
        "a defect in the service; its log has the particulars under this instance",
        instance=instance,
    )
