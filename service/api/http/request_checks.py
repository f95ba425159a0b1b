"""Checks bodies, query options and conditions of requests against the OpenAPI document."""

from __future__ import annotations

import functools
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any, Final, TypeVar

from flask import Flask, request

from service.api.http.blueprint import (
    MOST_BYTES,
    PICTURES_BYTES,
    USUAL_BYTES,
)
from service.api.http.openapi import METHODS
from service.api.http.path_parameters import document_path
from service.api.http.problems.errors import TooLargeError
from service.api.http.problems.faults import error_of
from service.errors import FieldFault, LittoralError, PreconditionFailedError
from service.problems import PROBLEMS

FORM_BYTES: Final = 256 * 1024
"""What the form of a page may be long: a remark of 10,000 letters as a form encodes them."""
_FORM_BYTES: Final = "most_form_bytes"
"""Attribute of a view whose form may be longer."""

_View = TypeVar("_View", bound=Callable[..., Any])
_CONDITIONS: Final = ("If-Match", "If-None-Match")
_WRITING: Final = ("PUT", "POST", "PATCH", "DELETE")


class UnsupportedMediaTypeError(LittoralError):
    """The body's media type is not one that the address reads."""

    kind = PROBLEMS["unsupported-media-type"]

    def __init__(self, detail: str, media_types: tuple[str, ...]) -> None:
        super().__init__(detail)
        self.headers = {"Accept": ", ".join(media_types)}


@dataclass(frozen=True, slots=True)
class Taken:
    """What one operation takes.

    Attributes:
        options: names of query options.
        conditions: headers that make it conditional.
        media_types: of the body.
        required: whether there must be a body.
        most_bytes: of the body.
    """

    options: frozenset[str]
    conditions: frozenset[str]
    media_types: tuple[str, ...]
    required: bool
    most_bytes: int


def operations(spec: Mapping[str, Any]) -> dict[tuple[str, str], Taken]:
    """What each path and method of an OpenAPI document takes."""
    table: dict[tuple[str, str], Taken] = {}
    for path, item in spec["paths"].items():
        for method in METHODS:
            operation = item.get(method)
            if operation is None:
                continue
            parameters = [*item.get("parameters", []), *operation.get("parameters", [])]
            names = frozenset(p["name"] for p in parameters if p.get("in") == "query")
            headers = frozenset(p["name"] for p in parameters if p.get("in") == "header")
            body = operation.get("requestBody", {})
            media_types = tuple(body.get("content", {}))
            table[path, method.upper()] = Taken(
                names,
                headers,
                media_types,
                body.get("required", False),
                operation.get(MOST_BYTES, USUAL_BYTES),
            )
    return table


def install(app: Flask, operations: Callable[[], Mapping[tuple[str, str], Taken]]) -> None:
    """Refuse unknown query options, unreadable media types and conditions that nobody would check.

    Of the whole app. A write whose condition was passed over would overwrite what it was to spare.

    Args:
        operations: gives what each path and method takes; asked at the first request.
    """
    table = functools.cache(operations)

    @app.before_request
    def check() -> None:
        taken = _taken(table())
        _limit_body(_form_bytes(app) if taken is None else taken.most_bytes)
        if taken is None:
            return
        _check_options(taken)
        _check_conditions(taken)
        sent = taken.required or request.mimetype or request.content_length
        if sent and taken.media_types and request.mimetype not in taken.media_types:
            given = request.mimetype or "missing"
            raise UnsupportedMediaTypeError(
                f"Content-Type is {given}; allowed: {', '.join(taken.media_types)}",
                taken.media_types,
            )


def form_with_pictures(view: _View) -> _View:
    """Decorator: the form that a view of the pages takes may come with pictures."""
    setattr(view, _FORM_BYTES, PICTURES_BYTES)
    return view


def _taken(operations: Mapping[tuple[str, str], Taken]) -> Taken | None:
    """What the operation that is asked for takes; None of one that the document does not have."""
    if request.url_rule is None:
        return None
    method = "GET" if request.method == "HEAD" else request.method
    return operations.get((document_path(request.url_rule.rule), method))


def _form_bytes(app: Flask) -> int:
    view = app.view_functions.get(request.endpoint or "")
    return int(getattr(view, _FORM_BYTES, FORM_BYTES))


def _limit_body(most_bytes: int) -> None:
    """Refuse a body that is too long before any of it is read.

    Raises:
        TooLargeError: it says itself that it is.
    """
    request.max_content_length = most_bytes
    if (request.content_length or 0) > most_bytes:
        raise TooLargeError(most_bytes)


def _check_conditions(taken: Taken) -> None:
    for name in _CONDITIONS:
        if request.method in _WRITING and name in request.headers and name not in taken.conditions:
            raise PreconditionFailedError(
                f"{request.method} takes no {name} here; allowed: without it"
            )


def _check_options(taken: Taken) -> None:
    known = ", ".join(sorted(taken.options)) or "no options here"
    faults = []
    for name, values in request.args.lists():
        shown = name.encode("utf-8", "backslashreplace").decode("utf-8")[:60]
        if name not in taken.options:
            faults.append(FieldFault(f"?{shown}", f"{shown} is not known; allowed: {known}"))
        elif len(values) > 1:
            faults.append(FieldFault(f"?{shown}", f"{shown} is given twice; allowed: once"))
    if faults:
        raise error_of(tuple(faults))
