"""Who is let in to the pages: tokens, their scopes, log-in and log-out, and foreign names."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
import requests
from flask import Flask
from playwright.sync_api import expect

from service.app.app_factory import create_app
from service.app.application import opened
from service.config import Config, RegistryConfig, StoreConfig
from service.pages.browser.own_address import own_page
from service.registry.models.access import Scope
from service.registry.models.log import LogKind
from service.registry.models.tank import Tank
from service.store.model import Reading
from service.times import to_us
from tests.pages.conftest import Opener
from tests.pages.served import Served


def guarded(served: Served, scope: Scope) -> str:
    """Register a tank with a reading and make a token; the token's secret."""
    served.registry.put_tank(Tank("reedbed", "Reedbed"))
    now = served.clock.now()
    served.store.write([Reading("reedbed", "temperature", "float", to_us(now), 23.4)])
    _, secret = served.registry.create_token("colleague", scope, now)
    return secret


@pytest.fixture(scope="module")
def application(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Flask]:
    """The web application without a server."""
    folder = tmp_path_factory.mktemp("own")
    store = StoreConfig(url=f"sqlite:///{folder / 'readings.db'}")
    registry = RegistryConfig(url=f"sqlite:///{folder / 'registry.db'}")
    with opened(Config(store=store, registry=registry)) as parts:
        yield create_app(parts)


def test_with_a_token_set_up_pages_ask_for_it(bare: Served, visit: Opener) -> None:
    secret = guarded(bare, Scope.WRITE)
    seen = visit(f"{bare.url}/tanks/reedbed?range=week")
    page = seen.page
    assert "/login" in page.url
    page.get_by_label("Secret of your token").fill("littoral_wrong")
    page.get_by_role("button", name="Log in").click()
    expect(page.locator("#trouble")).to_contain_text("not known")
    seen.complaints.clear()  # the browser tells of the 401
    page.get_by_label("Secret of your token").fill(secret)
    page.get_by_role("button", name="Log in").click()
    expect(page.locator("h1")).to_have_text("Reedbed")
    assert page.url.endswith("/tanks/reedbed?range=week")
    expect(page.locator("#temperature-chart canvas")).to_have_count(1)  # the API lets it in too
    page.locator("#kind").select_option("observation")
    page.get_by_label("Remark").fill("all well")
    page.get_by_role("button", name="Save", exact=True).click()
    expect(page.locator("#log .note").first).to_have_text("all well")
    page.get_by_role("button", name="log out").click()
    page.goto(f"{bare.url}/tanks/reedbed")
    assert "/login" in page.url
    assert seen.complaints == []


def test_a_reader_may_look_but_not_write(bare: Served, visit: Opener) -> None:
    secret = guarded(bare, Scope.READ)
    page = visit(f"{bare.url}/tanks/reedbed").page
    page.get_by_label("Secret of your token").fill(secret)
    page.get_by_role("button", name="Log in").click()
    expect(page.locator("h1")).to_have_text("Reedbed")
    page.locator("#kind").select_option("observation")
    page.get_by_label("Remark").fill("all well")
    page.get_by_role("button", name="Save", exact=True).click()
    expect(page.locator("main")).to_contain_text("the token's scope is read; needed: write")
    assert bare.registry.log("reedbed", kinds=[LogKind.OBSERVATION]) == []


def test_a_revoked_token_ends_the_visit(bare: Served, visit: Opener) -> None:
    secret = guarded(bare, Scope.WRITE)
    page = visit(f"{bare.url}/").page
    page.get_by_label("Secret of your token").fill(secret)
    page.get_by_role("button", name="Log in").click()
    expect(page.locator("h1")).to_have_text("Tanks")
    (token,) = bare.registry.tokens()
    bare.registry.revoke_token(token.id, bare.clock.now())
    page.goto(f"{bare.url}/tanks/reedbed")
    assert "/login" in page.url


HOSTILE = (
    "https://elsewhere.example/",
    "//elsewhere.example/",
    "///elsewhere.example/",
    "////elsewhere.example/",
    "/\\elsewhere.example",
    "\\\\elsewhere.example",
    "/\t/elsewhere.example",
    "/%09/elsewhere.example",
    "/\n/elsewhere.example",
    "/%0a/elsewhere.example",
    "/%0d%0aLocation:%20https://elsewhere.example",
    "/\r\nSet-Cookie: a=b",
    "\t//elsewhere.example",
    " //elsewhere.example",
    "/ /elsewhere.example",
    "/%5celsewhere.example",
    "/%2f%2felsewhere.example",
    "/%2felsewhere.example",
    "/.//elsewhere.example",
    "/..//elsewhere.example",
    "/tanks/..//elsewhere.example",
    "/tanks/../../elsewhere.example",
    "/;//elsewhere.example",
    "/@elsewhere.example",
    "@elsewhere.example",
    "/\x00/elsewhere.example",
    "/\u2028/elsewhere.example",
    "/\uff0felsewhere.example",
    "/%ff/elsewhere.example",
    "/[//elsewhere.example",
    "http:elsewhere.example",
    "http:///elsewhere.example",
    "javascript:alert(1)",
    "JaVa\tScript:alert(1)",
    "data:text/html,x",
    "elsewhere.example",
    "/tanks/" + "x" * 5000,
    "/v1/tanks",
    "/login?next=//elsewhere.example",
    "/logout",
    "/pages/static/littoral.css",
    "",
)


@pytest.mark.parametrize(
    ("target", "led"),
    [
        *((hostile, "/") for hostile in HOSTILE),
        ("/tanks/reedbed", "/tanks/reedbed"),
        ("/tanks/reedbed?range=week&kind=trim", "/tanks/reedbed?range=week&kind=trim"),
        ("/tanks/reedbed?x=%0d%0aA:b", "/tanks/reedbed?x=%0D%0AA%3Ab"),
        ("/tanks/reedbed?x=//elsewhere.example", "/tanks/reedbed?x=%2F%2Felsewhere.example"),
        ("/handover/", "/handover"),
        ("/handover?start=2026-04-15#x", "/handover?start=2026-04-15"),
    ],
)
def test_log_in_leads_to_a_page_of_ours(application: Flask, target: str, led: str) -> None:
    with application.test_request_context("/login"):
        assert own_page(target) == led


def test_log_in_leads_nowhere_else(bare: Served) -> None:
    """Over HTTP: the form and its answer, also for what breaks a header."""
    secret = guarded(bare, Scope.READ)
    for target in ("//elsewhere.example/", "/\t/elsewhere.example", "/\nx", "/tanks/reedbed"):
        visitor = requests.Session()
        page = visitor.get(f"{bare.url}/login", params={"next": target}, timeout=60)
        token = page.text.split('name="csrf_token" value="')[1].split('"')[0]
        answer = visitor.post(
            f"{bare.url}/login",
            data={"secret": secret, "next": target, "csrf_token": token},
            allow_redirects=False,
            timeout=60,
        )
        led = "/tanks/reedbed" if target == "/tanks/reedbed" else "/"
        assert (answer.status_code, answer.headers["Location"]) == (303, led)


def test_a_browser_stays_here_after_logging_in(bare: Served, visit: Opener) -> None:
    """Chromium reads an address as the URL standard says, which is not as it is written."""
    secret = guarded(bare, Scope.READ)
    for hostile in ("/%09/elsewhere.example", "/%5C%5Celsewhere.example", "//elsewhere.example"):
        seen = visit(f"{bare.url}/login?next={hostile}")
        page = seen.page
        page.get_by_label("Secret of your token").fill(secret)
        page.get_by_role("button", name="Log in").click()
        expect(page.locator("h1")).to_have_text("Tanks")
        assert page.url == f"{bare.url}/"
        assert seen.strangers(bare) == []


def test_another_name_for_this_machine_is_not_let_in(bare: Served) -> None:
    bare.registry.put_tank(Tank("reedbed", "Reedbed"))
    answer = requests.get(
        f"{bare.url}/tanks/reedbed", headers={"Host": "elsewhere.example"}, timeout=10
    )
    assert answer.status_code == 403
    assert "Reedbed" not in answer.text
