"""OpenAPI 3.1 from the schemas and views: problems on every operation, our own fields described."""

from __future__ import annotations

import http
import re
from collections.abc import Callable, Mapping
from typing import Any, Final

import flask_smorest
import marshmallow as ma
from flask import Flask, json

from service.api.http.access.rules import OPEN, scope_of
from service.api.http.blueprint import HEADERS
from service.api.http.merge_patch import PATCHED, patch_schema
from service.api.http.path_parameters import document_path
from service.api.http.problems import errors
from service.api.http.problems.problem_json import MEDIA_TYPE, kind_of_status
from service.problems import PROBLEMS
from service.schemas.base import Items, Schema
from service.schemas.fields import Field
from service.version import VERSION

_SPEC: Final = "littoral_openapi_document"
_TEXT: Final = "littoral_openapi_text"

_ABOUT: Final = """\
Littoral watches planted freshwater tanks and says what to do next. Quantities are objects with
value and unit; any unit that converts is accepted, and answers are in canonical UCUM units.
Estimates carry a 95 % interval. Times are RFC 3339, answers are in UTC. Unknown members and
unknown query options are errors. Errors are RFC 9457 problems.

Littoral advises people who look after living animals and pressurised gas. It is no safety device.
"""

_PROBLEM_SCHEMA: Final[dict[str, Any]] = {
    "type": "object",
    "description": "A problem as RFC 9457 describes it.",
    "properties": {
        "type": {
            "type": "string",
            "format": "uri-reference",
            "enum": [kind.type for kind in PROBLEMS.values()],
        },
        "title": {"type": "string"},
        "status": {"type": "integer", "minimum": 400, "maximum": 599},
        "detail": {"type": "string"},
        "instance": {"type": "string"},
        "errors": {
            "type": "array",
            "items": {
                "type": "object",
                "properties": {
                    "pointer": {
                        "type": "string",
                        "description": "JSON pointer (RFC 6901) into the body.",
                    },
                    "parameter": {"type": "string", "description": "Option of the query."},
                    "detail": {"type": "string"},
                },
                "required": ["detail"],
                "additionalProperties": False,
            },
        },
    },
    "required": ["type", "title", "status", "detail", "instance"],
    "additionalProperties": False,
}


_BEARER: Final[dict[str, Any]] = {
    "type": "http",
    "scheme": "bearer",
    "description": "A token made by `littoral token create`. A service without any token answers "
    "its own machine alone.",
}


_BASIC: Final[dict[str, Any]] = {
    "type": "http",
    "scheme": "basic",
    "description": "For reading only: the token as password, any user name. For calendars and "
    "other programs that know nothing else.",
}


class OpenApi(flask_smorest.Api):
    """The API with its document; errors are ours, not flask-smorest's."""

    DEFAULT_ERROR_RESPONSE_NAME = None

    def _register_error_handlers(self) -> None:
        errors.register(self._app)

    def _register_responses(self) -> None:
        for status in http.HTTPStatus:
            response: dict[str, Any] = {"description": status.phrase}
            if status >= 400:
                response["content"] = {
                    MEDIA_TYPE: {"schema": {"$ref": "#/components/schemas/Problem"}}
                }
            self.spec.components.response(status.name, response, lazy=True)


def open_api(app: Flask, *, described: bool = True) -> OpenApi:
    """The API object of an app, ready for blueprints.

    Args:
        described: with units, limits and words of each field.
    """
    app.config.update(
        API_TITLE="Littoral",
        API_VERSION=VERSION,
        OPENAPI_VERSION="3.1.0",
        API_SPEC_OPTIONS={
            "info": {"description": _ABOUT, "license": {"name": "MIT", "identifier": "MIT"}},
            "servers": [{"url": "/"}],
            "security": [{"bearer": []}],
        },
    )
    api = OpenApi(app)
    api.spec.components.schema("Problem", _PROBLEM_SCHEMA)
    api.spec.components.security_scheme("bearer", _BEARER)
    api.spec.components.security_scheme("basic", _BASIC)
    if described:
        api.ma_plugin.converter.add_attribute_function(_described)
    return api


def install(app: Flask, made: Callable[[], Mapping[str, Any]]) -> None:
    """Say how the document of an app is made; it is when somebody asks for it."""
    app.extensions[_SPEC] = made


def spec_of(app: Flask) -> Mapping[str, Any]:
    """The OpenAPI document of an app."""
    spec: Mapping[str, Any] = app.extensions[_SPEC]()
    return spec


def text_of(app: Flask) -> str:
    """The OpenAPI document of an app as JSON text."""
    if _TEXT not in app.extensions:
        with app.app_context():
            app.extensions[_TEXT] = json.dumps(spec_of(app), indent=2) + "\n"
    text: str = app.extensions[_TEXT]
    return text


def _described(_converter: Any, field: ma.fields.Field[Any], **_: Any) -> dict[str, Any]:
    return field.openapi() if isinstance(field, Field | Items) else {}


def document(app: Flask, api: OpenApi) -> dict[str, Any]:
    """The finished OpenAPI document.

    To what the views declare it adds the problems that the frame around them can answer with.
    """
    spec: dict[str, Any] = api.spec.to_dict()
    for key, name in api.ma_plugin.converter.refs.items():
        if issubclass(key[0], Schema):
            spec["components"]["schemas"][name] |= beside_members(key[0].json_schema)
    schemas = spec["components"]["schemas"]
    schemas |= {f"{name}Patch": patch_schema(schemas[name], schemas) for name in PATCHED}
    open_paths = {
        document_path(rule.rule) for rule in app.url_map.iter_rules() if rule.endpoint in OPEN
    }
    for path, item in spec["paths"].items():
        for method, operation in item.items():
            if method not in METHODS:
                continue
            operation.setdefault("operationId", _operation_id(method, path))
            operation["security"] = [] if path in open_paths else _security(method.upper(), path)
            if HEADERS in operation:
                operation.setdefault("parameters", []).extend(operation.pop(HEADERS))
            for status in _frame_statuses(method, path, item, operation):
                operation["responses"].setdefault(str(status), _problem_response(status))
            for status, response in operation["responses"].items():
                if int(status) >= 400 and "$ref" not in response and "content" not in response:
                    response |= _problem_response(int(status))
            operation["responses"] = dict(sorted(operation["responses"].items()))
    for name in list(spec["components"].get("responses", {})):
        status = http.HTTPStatus[name]
        spec["components"]["responses"][name] = _problem_response(status.value)
    spec["components"]["schemas"] = dict(sorted(spec["components"]["schemas"].items()))
    spec["paths"] = dict(sorted(spec["paths"].items()))
    return spec


def beside_members(rules: Mapping[str, Any]) -> dict[str, Any]:
    """Rules on an object that stand beside its members, so that generated clients see the members.

    They take ``oneOf`` or ``anyOf`` for a choice between other objects, and leave the members out.
    """
    choices = [{word: rules[word]} for word in ("oneOf", "anyOf") if word in rules]
    others = {word: rule for word, rule in rules.items() if word not in ("oneOf", "anyOf")}
    return {**others, "allOf": [*others.get("allOf", ()), *choices]} if choices else others


METHODS: Final = ("get", "put", "post", "delete", "patch")


def _security(method: str, path: str) -> list[dict[str, list[str]]]:
    """What an operation asks of its caller; the role of a token is the scope it needs."""
    role = scope_of(method, path.replace("{", "<").replace("}", ">")).value
    found = [{"bearer": [role]}]
    return found if method != "GET" else [*found, {"basic": [role]}]


def _frame_statuses(
    method: str, path: str, item: dict[str, Any], operation: dict[str, Any]
) -> list[int]:
    statuses = [500]
    if method != "get":
        statuses.append(412)  # a condition that nobody would check
    if operation.get("security") != []:
        statuses += [401, 403, 429]
    parameters = [*item.get("parameters", []), *operation.get("parameters", [])]
    if "requestBody" in operation:
        statuses += [400, 413, 415, 422]
    if parameters or operation.get("security") != []:
        statuses.append(422)  # an unknown option of the query
    if "{" in path:
        statuses.append(404)
    if path.startswith("/v1/tanks"):
        statuses.append(503)
    return statuses


def _problem_response(status: int) -> dict[str, Any]:
    kind = kind_of_status(status)
    return {
        "description": kind.meaning,
        "content": {MEDIA_TYPE: {"schema": {"$ref": "#/components/schemas/Problem"}}},
    }


def _operation_id(method: str, path: str) -> str:
    words = re.findall(r"[A-Za-z0-9]+", path.removeprefix("/v1"))
    return "_".join([method, *(word.lower() for word in words)])
