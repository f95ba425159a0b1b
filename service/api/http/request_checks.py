"""Checks size and media type of bodies and options of the query against the OpenAPI document."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Final

from flask import Flask, request

from service.api.http.blueprint import MOST_BYTES, USUAL_BYTES
from service.api.http.errors import TooLargeError
from service.api.http.faults import error_of
from service.errors import FieldFault, LittoralError
from service.problems import PROBLEMS

FORM_BYTES: Final = 256 * 1024
"""What the form of a page may be long: a remark of 10,000 letters as a form encodes them."""


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
        options: names of those of the query.
        media_types: of the body.
        required: there must be a body.
        most_bytes: of the body.
    """

    options: frozenset[str]
    media_types: tuple[str, ...]
    required: bool
    most_bytes: int


def operations(app: Flask, spec: Mapping[str, Any]) -> dict[tuple[str, str], Taken]:
    """What each endpoint and method takes, from the OpenAPI document."""
    table: dict[tuple[str, str], Taken] = {}
    for rule in app.url_map.iter_rules():
        path = rule.rule.replace("<", "{").replace(">", "}")
        item = spec["paths"].get(path)
        if item is None:
            continue
        for method in rule.methods or ():
            operation = item.get("get" if method == "HEAD" else method.lower())
            if operation is None:
                continue
            parameters = [*item.get("parameters", []), *operation.get("parameters", [])]
            names = frozenset(p["name"] for p in parameters if p.get("in") == "query")
            body = operation.get("requestBody", {})
            media_types = tuple(body.get("content", {}))
            table[rule.endpoint, method] = Taken(
                names,
                media_types,
                body.get("required", False),
                operation.get(MOST_BYTES, USUAL_BYTES),
            )
    return table


def install(app: Flask, spec: Mapping[str, Any]) -> None:
    """Refuse unknown or repeated query options and unreadable media types in all of an app."""
    table = operations(app, spec)

    @app.before_request
    def check() -> None:
        taken = table.get((request.endpoint or "", request.method))
        _limit_body(FORM_BYTES if taken is None else taken.most_bytes)
        if taken is None:
            return
        _check_options(taken)
        sent = taken.required or request.mimetype or request.content_length
        if sent and taken.media_types and request.mimetype not in taken.media_types:
            given = request.mimetype or "missing"
            raise UnsupportedMediaTypeError(
                f"Content-Type is {given}; allowed: {', '.join(taken.media_types)}",
                taken.media_types,
            )


def _limit_body(most_bytes: int) -> None:
    """Refuse a body that is too long before any of it is read.

    Raises:
        TooLargeError: it says itself that it is.
    """
    request.max_content_length = most_bytes
    if (request.content_length or 0) > most_bytes:
        raise TooLargeError(most_bytes)


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
