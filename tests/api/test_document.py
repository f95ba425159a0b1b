"""The OpenAPI document: valid, committed, complete in docs/api.md; and the pages made of it."""

from __future__ import annotations

import json
import re
from pathlib import Path

import pytest
from openapi_spec_validator import OpenAPIV31SpecValidator, validate

from service.api.app import _made_document, _made_table
from service.api.http.openapi import spec_of
from service.api.http.request_checks import operations
from service.app.app_factory import create_app

DOCS = Path(__file__).parents[2] / "docs"


def test_document_is_valid(app):
    spec = spec_of(app)
    assert spec["openapi"] == "3.1.0"
    validate(spec, cls=OpenAPIV31SpecValidator)


def test_committed_document_is_the_present_one(client):
    """To write it anew: python -m service openapi > docs/openapi.json."""
    committed = (DOCS / "openapi.json").read_text(encoding="utf-8")
    assert client.get("/openapi.json").get_data(as_text=True) == committed


def test_an_app_is_made_without_it(context, monkeypatch):
    """To make it takes longer than all the rest, also where nobody asks for it for hours."""
    made = []
    monkeypatch.setattr("service.api.http.openapi.document", lambda *_: made.append(1))
    monkeypatch.setattr("service.api.app._made_document", _made_document.__wrapped__)
    create_app(context)
    assert made == []


def test_requests_are_checked_by_what_the_document_says():
    """The table is of a document without units and limits, which takes a fraction of the memory."""
    assert _made_table() == operations(_made_document())


def test_operations_say_what_they_do(app):
    spec = spec_of(app)
    for path, item in spec["paths"].items():
        for method, operation in item.items():
            if method == "parameters":
                continue
            assert operation["summary"], (method, path)
            problems = {
                status: response
                for status, response in operation["responses"].items()
                if status >= "400" and not (path == "/readyz" and status == "503")
            }
            for status, response in problems.items():
                if "$ref" in response:
                    name = response["$ref"].removeprefix("#/components/responses/")
                    response = spec["components"]["responses"][name]
                assert list(response["content"]) == ["application/problem+json"], (path, status)


@pytest.mark.parametrize(
    ("path", "media_types"),
    [
        ("/healthz", ["application/json"]),
        ("/readyz", ["application/json"]),
        ("/metrics", ["text/plain", "application/openmetrics-text"]),
        ("/v1/tanks/{tank}/tasks.ics", ["text/calendar"]),
        ("/v1/events", ["application/json", "text/event-stream"]),
    ],
)
def test_what_other_programs_ask_for_has_its_media_types(app, path, media_types):
    answers = spec_of(app)["paths"][path]["get"]["responses"]
    assert list(answers["200"]["content"]) == media_types


def test_every_route_is_in_the_document(app):
    spec = spec_of(app)
    for rule in app.url_map.iter_rules():
        if not rule.endpoint.startswith(("docs.", "pages.")):
            assert rule.rule.replace("<", "{").replace(">", "}") in spec["paths"]


def test_every_route_is_described(app):
    page = (DOCS / "api.md").read_text(encoding="utf-8")
    for path, item in spec_of(app)["paths"].items():
        for method in item:
            if method != "parameters":
                assert f"`{method.upper()} {path}`" in page, f"{method.upper()} {path}"


def test_docs_page_shows_every_operation_and_needs_nothing_from_elsewhere(app, client):
    response = client.get("/docs")
    text = response.get_data(as_text=True)
    for path in spec_of(app)["paths"]:
        assert path in text
    scripts = re.findall(r"<script[^>]*>[^<]*", text)
    assert scripts
    assert all(re.fullmatch(r'<script defer src="/pages/static/[^"]+">', one) for one in scripts)
    assert "http://" not in text and "https://" not in text
    assert "default-src 'none'" in response.headers["Content-Security-Policy"]
    assert "unsafe" not in response.headers["Content-Security-Policy"]
    assert 'aria-label="Pages"' in text, "the same head as on the other pages"


def test_document_is_json_over_http(client):
    response = client.get("/openapi.json")
    assert response.mimetype == "application/json"
    assert json.loads(response.data)["info"]["title"] == "Littoral"
