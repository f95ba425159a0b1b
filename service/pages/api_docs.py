"""``/docs`` and ``/problems``: the API in a viewer, and the kinds of problem, for people."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final

from flask import Blueprint, current_app, render_template

from service.api.http.openapi import spec_of
from service.errors import NotFoundError
from service.problems import PROBLEMS

_METHODS: Final = ("get", "put", "post", "patch", "delete")


def register(pages: Blueprint) -> None:
    """Add the views to the blueprint."""
    pages.add_url_rule("/docs", "docs", docs)
    pages.add_url_rule("/problems", "problems", problems)
    pages.add_url_rule("/problems/<slug>", "problem", problem)


def docs() -> str:
    """The API: a list of its operations, which the viewer's script replaces."""
    spec = spec_of(current_app)
    return render_template("pages/docs.html", spec=spec, groups=_groups(spec))


def problems() -> str:
    """All kinds of problem."""
    return render_template("pages/problems.html", kinds=list(PROBLEMS.values()))


def problem(slug: str) -> str:
    """One kind of problem: where its ``type`` leads."""
    kind = PROBLEMS.get(slug)
    if kind is None:
        raise NotFoundError(f"there is no problem {slug[:60]!r}; see /problems")
    return render_template("pages/problems.html", kinds=[kind])


def _groups(spec: Mapping[str, Any]) -> list[tuple[dict[str, Any], list[tuple[str, str, str]]]]:
    """Each tag with its operations: method, path, summary."""
    groups: dict[str, list[tuple[str, str, str]]] = {}
    for path, item in spec["paths"].items():
        for method in _METHODS:
            if method in item:
                operation = item[method]
                line = (method.upper(), path, operation["summary"])
                groups.setdefault(operation["tags"][0], []).append(line)
    return [(tag, groups.get(tag["name"], [])) for tag in spec.get("tags", [])]
