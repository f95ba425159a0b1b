"""``/docs`` and ``/problems/…``: the document and the kinds of problem for a person to read.

Rendered here from the OpenAPI document: no script, nothing from elsewhere.
"""

from __future__ import annotations

from typing import Any, Final

from flask import Blueprint, Flask, Response, current_app, json, render_template

from service.api.http.openapi import spec_of
from service.api.http.security_headers import POLICY, READING
from service.errors import NotFoundError
from service.problems import PROBLEMS

_METHODS: Final = ("get", "put", "post", "patch", "delete")

blueprint = Blueprint(
    "docs",
    __name__,
    template_folder="templates",
    static_folder="static",
    static_url_path="/docs/static",
)


def register(app: Flask) -> None:
    """Add the pages to an app."""
    app.register_blueprint(blueprint)


@blueprint.get("/docs")
def docs() -> str:
    """The whole API on one page."""
    spec = spec_of(current_app)
    return render_template(
        "docs.html", spec=spec, groups=_groups(spec), pretty=_pretty, resolve=Resolver(spec)
    )


@blueprint.get("/problems")
def problems() -> str:
    """All kinds of problem."""
    return render_template("problems.html", kinds=list(PROBLEMS.values()))


@blueprint.get("/problems/<slug>")
def problem(slug: str) -> str:
    """One kind of problem: where its ``type`` leads."""
    kind = PROBLEMS.get(slug)
    if kind is None:
        raise NotFoundError(f"there is no problem {slug[:60]!r}; see /problems")
    return render_template("problems.html", kinds=[kind])


@blueprint.after_request
def secure(response: Response) -> Response:
    """No script, no frame, nothing from elsewhere."""
    response.headers[POLICY] = READING
    return response


class Resolver:
    """Looks up references into the components of a document."""

    def __init__(self, spec: dict[str, Any]) -> None:
        self._schemas: dict[str, Any] = spec["components"]["schemas"]

    def __call__(self, schema: dict[str, Any] | None) -> dict[str, Any]:
        """The schema meant: references followed, ``anyOf`` reduced to what is not null."""
        schema = schema or {}
        if "$ref" in schema:
            found: dict[str, Any] = self._schemas[schema["$ref"].rsplit("/", 1)[1]]
            return self(found)
        choices = [s for s in schema.get("anyOf", ()) if s.get("type") != "null"]
        if choices and "$ref" in choices[0]:
            return self(choices[0])
        return schema

    def kind(self, schema: dict[str, Any]) -> str:
        """A schema in a few words."""
        found = self(schema)
        if "enum" in found:
            return " | ".join("null" if word is None else str(word) for word in found["enum"])
        if set(found.get("properties", ())) - {"display"} == {"value", "unit"}:
            return "quantity"
        kind = found.get("type") or " | ".join(
            self.kind(choice) for choice in found.get("anyOf", ())
        )
        text = " | ".join(kind) if isinstance(kind, list) else str(kind or "any")
        if found.get("type") == "array":
            return f"list of {self.kind(found.get('items', {}))}"
        return f"{text} ({found['format']})" if "format" in found else text


def _groups(spec: dict[str, Any]) -> list[tuple[dict[str, Any], list[dict[str, Any]]]]:
    groups: dict[str, list[dict[str, Any]]] = {}
    for path, item in spec["paths"].items():
        for method in _METHODS:
            if method in item:
                operation = dict(item[method])
                operation["method"], operation["path"] = method.upper(), path
                operation["parameters"] = [
                    *item.get("parameters", []),
                    *operation.get("parameters", []),
                ]
                groups.setdefault(operation["tags"][0], []).append(operation)
    return [(tag, groups.get(tag["name"], [])) for tag in spec.get("tags", [])]


def _pretty(value: Any) -> str:
    return json.dumps(value, indent=2)
