"""Errors are RFC 9457 problems; their kinds are a contract that is documented."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from service import errors
from service.app.app_factory import create_app
from service.problems import PROBLEMS
from tests.api.conftest import problem_of

DOCS = Path(__file__).parents[3] / "docs"


def subclasses(base):
    for one in base.__subclasses__():
        yield one
        yield from subclasses(one)


def test_the_tree_of_errors_is_drawn_whole():
    drawn = re.findall(r"[├└]─ (\w+)", errors.__doc__)
    elsewhere = re.findall(r"(\w+Error)\s+\((\d+)\)", errors.__doc__)
    found = list(subclasses(errors.LittoralError))
    own = [error.__name__ for error in found if error.__module__ == "service.errors"]
    assert sorted(drawn) == sorted(own)
    http = {(error.__name__, str(error.kind.status)) for error in found
            if error.__module__.startswith("service.api.")}  # fmt: skip
    assert set(elsewhere) == http


def test_every_error_class_is_a_documented_problem():
    assert list(subclasses(errors.LittoralError))
    for error in (errors.LittoralError, *subclasses(errors.LittoralError)):
        if error.__module__.startswith(
            (
                "service.pages",
                "service.integrations",
                "service.backup",
                "service.mqtt.embedded_broker",
                "demo",
            )
        ):
            continue  # they never reach a client of the API
        assert PROBLEMS[error.kind.slug] is error.kind, error
        assert error is errors.LittoralError or error.kind.slug != "internal", error


def test_every_problem_is_documented():
    page = (DOCS / "problems.md").read_text(encoding="utf-8")
    described = dict(re.findall(r"^## `/problems/([a-z-]+)` \((\d+)\)$", page, re.MULTILINE))
    assert described == {slug: str(kind.status) for slug, kind in PROBLEMS.items()}
    for kind in PROBLEMS.values():
        assert kind.title in page
        assert kind.meaning in page
        assert kind.remedy in page


def test_type_leads_to_its_description(client):
    for kind in PROBLEMS.values():
        page = client.get(kind.type)
        assert page.status_code == 200
        assert kind.title in page.get_data(as_text=True).replace("&#39;", "'")


def test_unknown_address(client):
    body = problem_of(client.get("/v1/nothing"), 404, "not-found")
    assert body["instance"] == "/v1/nothing"


def test_wrong_method_says_what_is_allowed(client):
    response = client.delete("/v1/calculate/co2")
    body = problem_of(response, 405, "method-not-allowed")
    assert body["detail"] == "DELETE is not allowed here; allowed: OPTIONS, POST"
    assert "POST" in response.headers["Allow"]


@pytest.mark.parametrize("content_type", ["text/plain", "application/xml", None])
def test_wrong_content_type(client, content_type):
    response = client.post("/v1/calculate/co2", data=b"{}", content_type=content_type)
    problem_of(response, 415, "unsupported-media-type")
    assert response.headers["Accept"] == "application/json"


def test_too_large(client):
    response = client.post(
        "/v1/calculate/co2", data=b" " * (9 * 1024 * 1024), content_type="application/json"
    )
    assert "65536" in problem_of(response, 413, "too-large")["detail"]


@pytest.mark.parametrize(
    ("data", "said"),
    [
        (b"{", "line 1"),
        (b'{"ph": NaN}', "NaN"),
        (b'{"ph": -Infinity}', "-Infinity"),
        (b"\xff\xfe", "UTF-8"),
        (b"[" * 60_000, "nested too deeply"),
        (b'{"ph": ' + b"9" * 5000 + b"}", "5000 digits"),
    ],
)
def test_malformed_body(client, data, said):
    response = client.post("/v1/calculate/co2", data=data, content_type="application/json")
    assert said in problem_of(response, 400, "malformed-request")["detail"]


@pytest.mark.parametrize("data", [b"[]", b'"x"', b"4", b"null"])
def test_body_is_not_an_object(client, data):
    response = client.post("/v1/calculate/co2", data=data, content_type="application/json")
    body = problem_of(response, 422, "invalid-input")
    assert body["errors"][0]["pointer"] == ""


def test_half_a_character_is_refused_not_a_crash(client):
    response = client.post(
        "/v1/calculate/co2", data=b'{"\\ud800": 1}', content_type="application/json"
    )
    problem_of(response, 422, "invalid-input")


@pytest.mark.parametrize(("url", "said"), [("/healthz?a=1", "a is not known")])
def test_unknown_query_option(client, url, said):
    body = problem_of(client.get(url), 422, "invalid-input")
    assert said in body["detail"]
    assert body["errors"][0]["parameter"] == "a"


def test_a_defect_is_a_problem_without_particulars(context, caplog):
    app = create_app(context)

    @app.get("/broken/<tank>")
    def broken(tank):
        raise RuntimeError("secret")

    body = problem_of(app.test_client().get("/broken/reed"), 500, "internal")
    assert "secret" not in body["detail"]
    assert "GET /broken/reed failed" in caplog.text
    assert body["instance"].startswith("urn:uuid:")
    assert body["instance"] in caplog.text
    assert "secret" in caplog.text
