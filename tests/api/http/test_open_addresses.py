"""Every address in every spelling that the router takes: none is open but those listed here."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from urllib.parse import unquote

import pytest

from service import pages
from service.api.http.access.rules import OPEN
from service.app.app_factory import create_app
from service.pages.browser.headers import hash_of
from service.registry.models.access import Scope
from tests.api.conftest import NOW
from tests.api.scenes import TANK, put

FILES = hash_of(Path(pages.__file__).with_name("static"))
OPEN_TO_ALL = {
    "/healthz",
    "/readyz",
    "/openapi.json",
    "/docs",
    "/problems",
    "/problems/<slug>",
    f"/pages/static/{FILES}/<path:filename>",
    "/pages/static/<path:filename>",
    "/login",
    "/mail/stop/<token>",
    "/shared/<secret>",
    "/shared/<secret>.ics",
    "/shared/<secret>/app.webmanifest",
    "/shared/<secret>/pictures/<picture>",
    "/shared/<secret>/pictures/<picture>/thumbnail",
    "/shared/<secret>/reports",
    "/shared/<secret>/tasks",
    "/shared/<secret>/worker.js",
}
OPEN_TO_FORMS = {"/mail/start/<token>", "/shared/<secret>/report", "/shared/<secret>/pictures"}
METHODS = ("GET", "HEAD", "OPTIONS", "POST", "PUT", "DELETE")
SAMPLES = {"<tank>": "riffle", "<path:filename>": "littoral.css"}
NOWHERE = (
    "/nothing",
    "/v1",
    "/v1/",
    "/v1/nothing",
    "/metrics.txt",
    "/METRICS",
    "/robots.txt",
)

TOKEN = ({}, {})
FOREIGN_NAME = ({"Host": "attacker.example"}, {})
FROM_AFAR = ({}, {"REMOTE_ADDR": "192.0.2.7"})
PASSED_ON = ({"X-Forwarded-For": "192.0.2.7"}, {})


def spellings(rule: str) -> Iterator[str]:
    """Paths that the router may take for a rule, or lead to it."""
    path = rule
    for name, value in SAMPLES.items():
        path = path.replace(name, value)
    while "<" in path:
        path = path[: path.index("<")] + "x1" + path[path.index(">") + 1 :]
    yield from (path, f"{path}/", f"{path}//", f"/{path}", f"//{path}/")
    yield path.replace("/", "//")
    yield f"/.{path}"
    yield f"/x/..{path}"
    yield f"/%2e{path}"
    yield "/%2F" + path[1:]
    yield "/%" + f"{ord(path[1:2] or '/'):02x}" + path[2:]  # its first letter in percent form


@pytest.fixture
def walked(context):
    """An app of the test's own, with a tank."""
    app = create_app(context)
    put(app.test_client())
    return app


def answers(app, headers, environ, methods=METHODS):
    """Rule, method, path and answer of every address in every spelling."""
    client = app.test_client()
    rules = sorted({rule.rule for rule in app.url_map.iter_rules()})
    for rule in rules:
        for path in sorted(set(spellings(rule))):
            for method in methods:
                # EnvironBuilder would take "//x" for a host, so the path is set as a server does
                yield (
                    rule,
                    method,
                    path,
                    client.open(
                        "/",
                        method=method,
                        headers=headers,
                        environ_overrides={**environ, "PATH_INFO": unquote(path)},
                    ),
                )


def refused(response, status: int) -> bool:
    """Whether a request was refused for who asked it: a browser is led to the form to log in."""
    led_away = response.status_code == 303 and response.headers["Location"].startswith("/login")
    return response.status_code == status or (status == 401 and led_away)


@pytest.mark.parametrize(
    ("with_token", "caller", "status", "methods"),
    [
        (True, TOKEN, 401, METHODS),
        (False, FOREIGN_NAME, 403, ("GET",)),
        (False, FROM_AFAR, 401, ("GET",)),
        (False, PASSED_ON, 403, ("GET",)),
    ],
    ids=["no token shown", "foreign name", "other machine", "through a proxy"],
)
def test_no_address_is_open_but_those_listed(walked, context, with_token, caller, status, methods):
    if with_token:
        context.registry.create_token("somebody", Scope.READ, NOW)
    opened = set()
    for rule, method, path, response in answers(walked, *caller, methods):
        if not refused(response, status):
            opened.add(rule)
            assert rule in OPEN_TO_ALL | OPEN_TO_FORMS, (method, path, response.status_code)
        for private in (TANK["name"], "riffle_", "littoral_up"):
            assert private not in response.get_data(as_text=True), (method, path)
    assert opened == OPEN_TO_ALL | (OPEN_TO_FORMS if "POST" in methods else set())


def test_the_list_of_open_endpoints_names_nothing_else(walked):
    rules = {rule.endpoint: rule.rule for rule in walked.url_map.iter_rules()}
    assert {rules[endpoint] for endpoint in OPEN} == OPEN_TO_ALL | OPEN_TO_FORMS


def test_what_is_no_address_says_no_more_than_one_that_is(walked, context):
    context.registry.create_token("somebody", Scope.READ, NOW)
    client = walked.test_client()
    known = client.get("/v1/tanks").get_json()
    for path in NOWHERE:
        response = client.get("/", environ_overrides={"PATH_INFO": path})
        assert response.status_code == 401, path
        body = response.get_json()
        assert {**body, "instance": ""} == {**known, "instance": ""}
    page = client.get("/nothing", headers={"Accept": "text/html"})
    assert page.status_code == 303
    assert page.headers["Location"].startswith("/login")


def test_metrics_in_both_spellings_need_a_token(walked, context):
    context.registry.create_token("somebody", Scope.READ, NOW)
    client = walked.test_client()
    assert client.get("/metrics").status_code == 401
    assert client.get("/metrics/").status_code == 401


def test_with_a_token_every_spelling_of_the_router_answers(walked, context):
    _, secret = context.registry.create_token("somebody", Scope.READ, NOW)
    client = walked.test_client()
    headers = {"Authorization": f"Bearer {secret}"}
    for path in ("/metrics", "/metrics/", "/v1/tanks", "/v1/tanks/"):
        assert client.get(path, headers=headers).status_code == 200
    assert client.get("/nothing", headers=headers).status_code == 404
    moved = client.get("/v1//tanks", headers=headers)
    assert (moved.status_code, moved.headers["Location"]) == (308, "http://localhost/v1/tanks")
