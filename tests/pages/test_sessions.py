"""Sessions of the pages: how they end, what an old cookie is worth, the key, the page."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import pytest
from flask import Flask
from flask.testing import FlaskClient
from playwright.sync_api import expect
from sqlalchemy import update

from service.api.http.access.auth import Caller, still_admitted
from service.app.app_factory import create_app
from service.app.application import Application, opened
from service.config import Config, HttpConfig, RegistryConfig, StoreConfig
from service.registry.audit import Actor, ActorKind
from service.registry.models.access import Scope
from service.registry.models.tank import Tank
from service.registry.tables.access import TokenRow
from tests.pages.accessibility import violations
from tests.pages.conftest import Opener
from tests.pages.served import Served, SetClock

COOKIE = "littoral_page"
TRIM = {"kind": "trim"}


@pytest.fixture
def clock() -> SetClock:
    """Set by the test."""
    return SetClock()


@pytest.fixture
def application(tmp_path: Path, clock: SetClock) -> Iterator[Application]:
    """A registry with one tank; sessions end after two days, or after one hour without use."""
    config = Config(
        store=StoreConfig(url=f"sqlite:///{tmp_path / 'readings.db'}"),
        registry=RegistryConfig(url=f"sqlite:///{tmp_path / 'registry.db'}"),
        http=HttpConfig(session_idle_hours=1, session_days=2),
    )
    with opened(config) as parts:
        parts.registry.put_tank(Tank("reedbed", "Reedbed"))
        yield replace(parts, clock=clock)


@pytest.fixture
def app(application: Application) -> Flask:
    """The web application."""
    return create_app(application)


def make_token(application: Application, name: str, scope: Scope) -> str:
    """The secret of a new token."""
    return application.registry.create_token(name, scope, application.clock.now())[1]


def form_token(client: FlaskClient, path: str) -> str:
    """The token of a form on a page."""
    return (
        client.get(path).get_data(as_text=True).split('name="csrf_token" value="')[1].split('"')[0]
    )


def log_in(app: Flask, secret: str, client: FlaskClient | None = None) -> FlaskClient:
    """A browser in which somebody logged in."""
    client = client or app.test_client()
    data = {"secret": secret, "next": "/", "csrf_token": form_token(client, "/login")}
    assert client.post("/login", data=data).status_code == 303
    return client


def cookie_of(client: FlaskClient) -> str:
    """The whole cookie, as a thief would take it."""
    found = client.get_cookie(COOKIE)
    assert found is not None
    return found.value


def thief(app: Flask, cookie: str) -> FlaskClient:
    """Another browser with a copied cookie."""
    client = app.test_client()
    client.set_cookie(COOKIE, cookie)
    return client


def is_let_in(client: FlaskClient) -> bool:
    """Whether the pages and the API let a browser in; both or none."""
    page, answer = client.get("/tanks/reedbed"), client.get("/v1/tanks")
    assert (page.status_code == 200) == (answer.status_code == 200)
    return page.status_code == 200


def test_after_log_out_the_old_cookie_reads_and_writes_nothing(
    app: Flask, application: Application
) -> None:
    client = log_in(app, make_token(application, "phone", Scope.ADMIN))
    copied = thief(app, cookie_of(client))
    form = form_token(copied, "/tanks/reedbed")
    assert is_let_in(copied)
    assert copied.post("/v1/tanks/reedbed/log", json=TRIM).status_code == 201
    assert client.post("/logout", data={"csrf_token": form_token(client, "/")}).status_code == 303
    assert not is_let_in(client)
    copied = thief(app, cookie_of(copied))
    assert not is_let_in(copied)
    assert copied.post("/v1/tanks/reedbed/log", json=TRIM).status_code == 401
    assert copied.delete("/v1/tanks/reedbed").status_code == 401
    copied.post("/tanks/reedbed/log", data={"kind": "trim", "csrf_token": form})
    assert len(application.registry.log("reedbed")) == 1
    (session,) = application.registry.login_sessions()
    assert session.ended == application.clock.now()


def test_a_session_ends_without_use_and_by_age(
    app: Flask, application: Application, clock: SetClock
) -> None:
    client = log_in(app, make_token(application, "phone", Scope.READ))
    began = clock.moment
    clock.moment += timedelta(minutes=59)
    assert is_let_in(client)
    clock.moment += timedelta(minutes=59)
    assert is_let_in(client)
    clock.moment += timedelta(hours=1)
    assert not is_let_in(client)
    assert "this session has ended" in client.get("/login").get_data(as_text=True)
    client = log_in(app, make_token(application, "tablet", Scope.READ))
    began = clock.moment
    while clock.moment < began + timedelta(days=2):
        assert is_let_in(client)
        clock.moment += timedelta(minutes=30)
    assert not is_let_in(client)


def test_it_lasts_no_longer_than_its_token(app: Flask, application: Application) -> None:
    expires = application.clock.now() + timedelta(minutes=10)
    _, secret = application.registry.create_token(
        "guest", Scope.READ, application.clock.now(), expires=expires
    )
    log_in(app, secret)
    assert [one.expires for one in application.registry.login_sessions()] == [expires]


def test_it_follows_the_scope_of_its_token_and_ends_with_it(
    app: Flask, application: Application
) -> None:
    client = log_in(app, make_token(application, "phone", Scope.WRITE))
    (token,) = application.registry.tokens()
    with application.registry.session(writes="bookkeeping") as session:
        session.execute(update(TokenRow).values(scope=Scope.READ.value))
    assert client.get("/v1/tanks").status_code == 200
    assert client.post("/v1/tanks/reedbed/log", json=TRIM).status_code == 403
    application.registry.revoke_token(token.id, application.clock.now())
    assert not is_let_in(client)


def test_logging_in_begins_a_session_of_its_own(app: Flask, application: Application) -> None:
    """No session fixation: what the cookie had before log-in opens nothing after it."""
    secret = make_token(application, "phone", Scope.READ)
    client = app.test_client()
    client.get("/login")
    planted = cookie_of(client)
    log_in(app, secret, client)
    assert not is_let_in(thief(app, planted))
    first = cookie_of(client)
    log_in(app, secret, client)
    assert is_let_in(client)
    assert not is_let_in(thief(app, first))
    assert [one.ended is None for one in application.registry.login_sessions()].count(True) == 1


def test_forms_belong_to_one_session(app: Flask, application: Application) -> None:
    secret = make_token(application, "phone", Scope.WRITE)
    mine, other = log_in(app, secret), log_in(app, secret)
    before = app.test_client()
    of_login = form_token(before, "/login")
    log_in(app, secret, before)
    for client, form in (
        (mine, form_token(other, "/tanks/reedbed")),
        (before, of_login),
        (mine, ""),
        (mine, "x"),
    ):
        data = {"kind": "trim", "csrf_token": form}
        assert client.post("/tanks/reedbed/log", data=data).status_code == 403
    assert application.registry.log("reedbed") == []
    data = {"kind": "trim", "csrf_token": form_token(mine, "/tanks/reedbed")}
    assert mine.post("/tanks/reedbed/log", data=data).status_code == 303


def test_a_cookie_signed_with_the_key_but_without_a_session_opens_nothing(
    app: Flask, application: Application
) -> None:
    """Whoever reads the registry has the key and the ids, and still no secret."""
    log_in(app, make_token(application, "phone", Scope.ADMIN))
    (session,) = application.registry.login_sessions()
    (token,) = application.registry.tokens()
    serializer = app.session_interface.get_signing_serializer(app)  # type: ignore[attr-defined]
    for login in (session.id, token.id, f"session_{session.id}_{'A' * 43}", True, None, ["x"]):
        forged = serializer.dumps({"login": login, "access_token_id": token.id})
        assert not is_let_in(thief(app, forged))


def test_a_new_key_logs_everybody_out_while_the_service_runs(
    app: Flask, application: Application
) -> None:
    client = log_in(app, make_token(application, "phone", Scope.WRITE))
    old = form_token(client, "/tanks/reedbed")
    serializer = app.session_interface.get_signing_serializer(app)  # type: ignore[attr-defined]
    signed = thief(app, serializer.dumps({"csrf_token": "x" * 40, "_flashes": [["message", "Hm"]]}))
    with opened(application.config) as elsewhere:  # as the command does, in another process
        assert elsewhere.registry.rotate_signing_key(elsewhere.clock.now()) == 1
    assert not is_let_in(client)
    assert "Hm" not in signed.get("/login").get_data(as_text=True)
    log_in(app, make_token(application, "tablet", Scope.WRITE), client)
    data = {"kind": "trim", "csrf_token": old}
    assert client.post("/tanks/reedbed/log", data=data).status_code == 403
    data = {"kind": "trim", "csrf_token": form_token(client, "/tanks/reedbed")}
    assert client.post("/tanks/reedbed/log", data=data).status_code == 303


def test_what_was_begun_in_a_session_ends_with_it(app: Flask, application: Application) -> None:
    """Event streams ask this at each turn."""
    log_in(app, make_token(application, "phone", Scope.READ))
    (session,) = application.registry.login_sessions()
    actor = Actor(ActorKind.SESSION, session.id, "phone")
    caller = Caller("phone", Scope.READ, actor, session.token, session.id)
    assert still_admitted(caller, application)
    assert not still_admitted(replace(caller, session="ffffffffffff"), application)
    application.registry.end_session(session.id, application.clock.now())
    assert not still_admitted(caller, application)
    assert still_admitted(replace(caller, session=""), application)


def test_another_site_logs_nobody_in(app: Flask, application: Application) -> None:
    secret = make_token(application, "phone", Scope.READ)
    client = app.test_client()
    data = {"secret": secret, "csrf_token": form_token(client, "/login")}
    for headers in ({"Origin": "https://elsewhere.example"}, {"Sec-Fetch-Site": "cross-site"}):
        assert client.post("/login", data=data, headers=headers).status_code == 403
    assert application.registry.login_sessions() == []


def test_a_reader_ends_sessions_of_the_own_token_only(app: Flask, application: Application) -> None:
    secret = make_token(application, "phone", Scope.READ)
    mine, elsewhere = log_in(app, secret), log_in(app, secret)
    admin = log_in(app, make_token(application, "desk", Scope.ADMIN))
    ids = {one.token: one.id for one in application.registry.login_sessions()}
    (desk,) = [t.id for t in application.registry.tokens() if t.name == "desk"]
    page = mine.get("/sessions").get_data(as_text=True)
    assert "phone" in page and "desk" not in page
    data = {"csrf_token": form_token(mine, "/sessions")}
    assert mine.post(f"/sessions/{ids[desk]}/end", data=data).status_code == 404
    assert is_let_in(admin)
    assert mine.post("/sessions/end", data={}).status_code == 403
    assert is_let_in(elsewhere)
    assert mine.post("/sessions/end", data=data).status_code == 303
    assert is_let_in(mine) and is_let_in(admin) and not is_let_in(elsewhere)
    page = admin.get("/sessions").get_data(as_text=True)
    assert "phone" in page and "desk" in page


def test_the_page_lists_sessions_and_ends_them(bare: Served, visit: Opener) -> None:
    bare.registry.put_tank(Tank("reedbed", "Reedbed"))
    now = bare.clock.now()
    token, secret = bare.registry.create_token("colleague", Scope.WRITE, now)
    bare.registry.create_session(
        token.id, now - timedelta(days=1), expires=now + timedelta(days=29)
    )
    seen = visit(f"{bare.url}/sessions")
    page = seen.page
    page.get_by_label("Secret of your token").fill(secret)
    page.get_by_role("button", name="Log in").click()
    expect(page.locator("h1")).to_have_text("Sessions")
    expect(page.locator(".plain-list li")).to_have_count(2)
    expect(page.locator(".plain-list li").first).to_contain_text("colleague, this browser")
    assert violations(page) == []
    page.set_viewport_size({"width": 360, "height": 640})
    assert page.evaluate("document.documentElement.scrollWidth") == 360
    page.get_by_role("button", name="End all other sessions").click()
    expect(page.locator(".plain-list li")).to_have_count(1)
    page.get_by_role("button", name="End the session").click()
    expect(page.locator("h1")).to_have_text("Log in")
    expect(page.locator(".notice")).to_contain_text("this session has ended")
    assert all(one.ended for one in bare.registry.login_sessions())
    assert seen.complaints == []
