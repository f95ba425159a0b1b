"""Blueprints that read requests strictly and describe it in OpenAPI."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from types import MappingProxyType
from typing import Any, Final, NoReturn, Protocol, TypeVar, cast

import flask_smorest
import marshmallow as ma
from flask import Request
from webargs.core import missing
from webargs.flaskparser import FlaskParser

from service.api.http.json_text import read_json
from service.api.http.problems.faults import invalid_body, invalid_query

_T = TypeVar("_T")

HEADERS: Final = "x-request-headers"
"""Where an operation keeps its request headers until the document is finished: given as
parameters they would push out those of the query."""


MOST_BYTES: Final = "x-max-body-bytes"
"""Where an operation says how long its body may be; without it ``USUAL_BYTES``."""

USUAL_BYTES: Final = 64 * 1024
DOCUMENT_BYTES: Final = 1024 * 1024
"""A tank with its plans, or a log entry: texts of 10,000 characters among them."""

LIST_BYTES: Final = 8 * 1024 * 1024
"""Thousands of readings, or all absences."""

MULTIPART: Final = "multipart/form-data"
PICTURES_BYTES: Final = 24 * 1024 * 1024
"""A few pictures as phones take them; no body is longer. Our choice."""


class Decorator(Protocol):
    """A decorator that leaves the type of the view as it is."""

    def __call__(self, view: _T, /) -> _T:
        """The view, decorated."""
        ...


class StrictParser(FlaskParser):
    """Reads arguments of a request; unknown query options are an error, not ignored."""

    DEFAULT_UNKNOWN_BY_LOCATION: dict[str, str | None] = MappingProxyType(  # type: ignore[assignment]
        {"query": ma.RAISE, "json": None}
    )

    def _raw_load_json(self, req: Request) -> Any:
        data = req.get_data(cache=True)
        return read_json(data) if data else missing

    def handle_error(
        self,
        error: ma.ValidationError,
        req: Request,
        schema: ma.Schema,
        *,
        error_status_code: int | None,
        error_headers: Mapping[str, str] | None,
    ) -> NoReturn:
        """Raise the refusal of a schema as the API's own error."""
        messages = error.messages
        if isinstance(messages, dict) and "query" in messages:
            raise invalid_query(messages["query"])
        raise invalid_body(messages.get("json", messages) if isinstance(messages, dict) else "")


class Blueprint(flask_smorest.Blueprint):
    """Flask-smorest's blueprint with our parser and with types."""

    ARGUMENTS_PARSER = StrictParser()

    def at(self, path: str, *methods: str, parameters: Sequence[dict[str, Any]] = ()) -> Decorator:
        """Decorator: the view of a path, a function for ``methods`` or a ``MethodView``.

        Args:
            parameters: those of the path, as the document describes them.
        """
        options = {"methods": list(methods)} if methods else {}
        return cast(Decorator, self.route(path, parameters=list(parameters), **options))

    def query(self, schema: type[ma.Schema]) -> Decorator:
        """Decorator: the options of the query, loaded by a schema, are the next argument."""
        return cast(Decorator, self.arguments(schema(), location="query"))

    def body(
        self, schema: type[ma.Schema], *, example: object = None, content_type: str | None = None
    ) -> Decorator:
        """Decorator: the JSON body, loaded by a schema, is the next argument."""
        made = self.arguments(schema(), location="json", example=example, content_type=content_type)
        return cast(Decorator, made)

    def answers(
        self,
        status: int,
        schema: type[ma.Schema] | dict[str, Any] | None = None,
        *,
        description: str | None = None,
        content_type: str | None = None,
        headers: dict[str, Any] | None = None,
    ) -> Decorator:
        """Decorator: what the view returns is dumped by a schema."""
        made = self.response(
            status, schema, description=description, content_type=content_type, headers=headers
        )
        return cast(Decorator, made)

    def also_answers(
        self,
        status: int,
        schema: type[ma.Schema] | dict[str, Any] | None = None,
        *,
        description: str,
        content_type: str | None = None,
    ) -> Decorator:
        """Decorator: another answer, for the document only."""
        made = self.alt_response(
            status, schema=schema, description=description, content_type=content_type
        )
        return cast(Decorator, made)

    def described(self, **members: Any) -> Decorator:
        """Decorator: more members for the operation in the document."""
        return cast(Decorator, self.doc(**members))

    def takes_up_to(self, size: int) -> Decorator:
        """Decorator: the body may be so many bytes, where that is more than usual."""
        return self.described(**{MOST_BYTES: size})

    def headers(self, *headers: dict[str, Any]) -> Decorator:
        """Decorator: request headers that the view understands, for the document."""
        return self.described(**{HEADERS: list(headers)})
