"""Who is let in to the pages: tokens, their scopes, log-in and log-out, and foreign names."""

from __future__ import annotations

import requests
from playwright.sync_api import expect

from service.registry.access import Scope
from service.registry.models import LogKind, Tank
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


def test_log_in_leads_nowhere_else(bare: Served) -> None:
    secret = guarded(bare, Scope.READ)
    for target in ("https://elsewhere.example/", "//elsewhere.example/", "/\\elsewhere.example"):
        visitor = requests.Session()
        page = visitor.get(f"{bare.url}/login", params={"next": target}, timeout=10)
        token = page.text.split('name="csrf_token" value="')[1].split('"')[0]
        answer = visitor.post(
            f"{bare.url}/login",
            data={"secret": secret, "next": target, "csrf_token": token},
            allow_redirects=False,
            timeout=10,
        )
        assert (answer.status_code, answer.headers["Location"]) == (303, "/")


def test_another_name_for_this_machine_is_not_let_in(bare: Served) -> None:
    bare.registry.put_tank(Tank("reedbed", "Reedbed"))
    answer = requests.get(
        f"{bare.url}/tanks/reedbed", headers={"Host": "elsewhere.example"}, timeout=10
    )
    assert answer.status_code == 403
    assert "Reedbed" not in answer.text
