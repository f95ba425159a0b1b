"""Who wrote what when: every writing address leaves one record, a refused request none."""

from __future__ import annotations

import re
import shutil
from datetime import timedelta

import pytest
from sqlalchemy import text

from service.advice.engine.scheduler import Scheduler
from service.api.context import install
from service.api.http.access.rules import scope_of
from service.app.app_factory import create_app
from service.config import RouteConfig
from service.pages.handover.absence_form import digest
from service.registry.audit import Action, ActorKind
from service.registry.models.absence import Absence
from service.registry.models.access import Scope
from service.registry.models.events import NewEvent
from service.registry.models.pictures import NewPicture, SentPictures, StoredFile
from service.registry.models.trials import Trial
from tests.api.audited_writes import (
    API,
    BUFFERS,
    BY_LINK,
    ENTERED,
    LOGIN,
    MAIL,
    MARK,
    PAGES,
    READING,
    WRITTEN,
)
from tests.api.conftest import NOW, application_in, problem_of
from tests.api.scenes import TANK, day_of_readings, put


@pytest.fixture(scope="module")
def laid_out(made, tmp_path_factory):
    """A folder with the scene, of which each test gets a copy, and its ids."""
    folder = tmp_path_factory.mktemp("scene")
    with application_in(folder) as application:
        install(made, application)
        return folder, lay_out(application, made.test_client())


@pytest.fixture
def context(request, tmp_path):
    if "scene" in request.fixturenames:
        folder, _ = request.getfixturevalue("laid_out")
        shutil.copytree(folder, tmp_path, dirs_exist_ok=True)
    with application_in(tmp_path) as application:
        yield application


@pytest.fixture
def scene(laid_out):
    """The ids of what is in the registry, by name."""
    _, ids = laid_out
    return ids


def lay_out(context, client):
    """A tank with all that can be written to; ids by name."""
    registry = context.registry
    animals = [{"species": "Invented", "temperature": {"low": 18, "high": 25, "unit": "Cel"}}]
    put(client, animals=animals)
    day_of_readings(context.store, celsius=28.0)
    Scheduler(registry, context.store, context.clock, 60.0).evaluate_all()
    client.post("/v1/tanks/riffle/log", json={"kind": "trim", "id": "visit"})
    client.post("/v1/tanks/riffle/log", json=BUFFERS)
    file = StoredFile(1, "0")
    taken = NewPicture("picture", 1, 1, file, file, "0")
    registry.add_pictures("riffle", "visit", SentPictures(("0",), (taken,), 100))
    registry.hand_over("hub", NOW)
    registry.add_events([NewEvent("recommendation.opened", "a", "riffle", NOW, {})])
    registry.hand_over("hub", NOW)
    [delivery] = registry.claim_deliveries("hub", NOW, timedelta(minutes=1))
    registry.settle_dead(delivery.id, NOW, "gone")
    shared, _ = registry.create_share(
        "riffle", NOW, NOW + timedelta(days=1), NOW, expires=NOW + timedelta(days=1)
    )
    [one, *_] = registry.recommendations(tanks=["riffle"])
    route = registry.add_route(
        RouteConfig("yard/lamp", "riffle", "ppfd"), NOW, why_refused=lambda others: None
    )
    away = Absence("away", NOW - timedelta(days=1), NOW + timedelta(days=1))
    registry.put_absences([away])
    return {
        "route": route.id,
        "trial": registry.add_trial(
            Trial("", "riffle", "less light", NOW, NOW + timedelta(days=14), ("dli",))
        ).value.id,
        "share": shared.id,
        "delivery": delivery.id,
        "recommendation": one.id,
        "absence": away.id,
        "picture": taken.id,
        "version": registry.stored_tank("riffle").version,
        "shown": digest(away),
    }


@pytest.fixture
def secrets(context):
    """The secret of a token of each scope; its name is that of the scope."""
    return {scope: context.registry.create_token(scope.value, scope, NOW)[1] for scope in Scope}


def sent(client, operation, ids, secret, options, *, nowhere=False):
    """The answer to an operation by its rule."""
    method, rule = operation
    named = {"shares": "share", "deliveries": "delivery", "routes": "route"}
    id = ids[next((name for word, name in named.items() if word in rule), MARK)]
    entry = "buffers" if "calibrations" in rule else "visit"
    rule = rule.replace("<picture>", "none" if nowhere else "picture")
    address = rule.replace("<tank>", "riffle").replace("<entry>", entry).replace("<id>", str(id))
    address = address.replace("<trial>", str(ids["trial"]))
    if nowhere:
        address = rule.replace("<tank>", "none").replace("<entry>", "none").replace("<id>", "0")
        address = address.replace("<trial>", "none")
    headers = {"Authorization": f"Bearer {secret}"}
    return client.open(address, method=method, headers=headers, **options)


def whole_table(registry):
    with registry.session(writes=False) as session:
        return str(session.execute(text("SELECT * FROM audit")).all())


def is_subject(subject, wanted, ids):
    pattern = re.escape(wanted.format(**ids)).replace(r"\*", "[0-9a-f]+")
    return re.fullmatch(pattern, subject) is not None


def test_every_address_that_writes_is_tried_here(app):
    found = {
        (method, rule.rule)
        for rule in app.url_map.iter_rules()
        for method in rule.methods - {"GET", "HEAD", "OPTIONS"}
        if scope_of(method, rule.rule) is not Scope.READ or "log" in rule.endpoint.split(".")[-1]
    }
    assert found == set(API) | set(PAGES) | BY_LINK | LOGIN | MAIL


@pytest.mark.parametrize("operation", API, ids=" ".join)
def test_a_write_over_http_leaves_one_record(context, client, scene, secrets, operation):
    registry = context.registry
    options, action, subject, members = API[operation]
    before = registry.audit()
    for secret, status in (("littoral_wrong", 401), (secrets[Scope.READ], 403)):
        assert sent(client, operation, scene, secret, options).status_code == status
    if "<" in operation[1] and operation[0] != "PUT":
        away = sent(client, operation, scene, secrets[Scope.ADMIN], options, nowhere=True)
        assert away.status_code == 404
    if "json" in options:
        wrong = sent(client, operation, scene, secrets[Scope.ADMIN], {"json": {"unknown": WRITTEN}})
        assert wrong.status_code == 422
    refused, *rest = registry.audit()
    assert (refused.action, rest) == (Action.LOGIN_REFUSED, before)
    answer = sent(client, operation, scene, secrets[Scope.ADMIN], options)
    assert answer.status_code < 300, answer.text
    *entered, record = registry.audit()[: -len([refused, *before])]
    assert registry.audit()[len(entered) + 1 :] == [refused, *before]
    assert [one.action for one in entered] == (["log.added"] if action in ENTERED else [])
    assert (record.action, list(record.members)) == (action, members)
    assert is_subject(record.subject, subject, scene)
    actor = record.actor
    assert (actor.kind, actor.name, actor.address) == (ActorKind.TOKEN, "admin", "127.0.0.1")
    assert actor.id in {token.id for token in registry.tokens()}
    stored = whole_table(registry)
    assert WRITTEN not in stored
    assert not [one for one in secrets.values() if one.split("_", 2)[2] in stored]


@pytest.mark.parametrize("operation", PAGES, ids=" ".join)
def test_a_form_leaves_one_record(context, client, scene, secrets, operation):
    registry = context.registry
    form, action, subject = PAGES[operation]
    scope = scope_of(*operation)
    before = registry.audit()
    csrf = re.search(r'name="csrf_token" value="([^"]+)"', client.get("/login").text)[1]
    login = {"csrf_token": csrf, "secret": "littoral_wrong"}
    assert client.post("/login", data=login).status_code == 401
    assert client.post("/login", data=login | {"secret": secrets[scope]}).status_code == 303
    csrf = re.search(r'name="csrf_token" value="([^"]+)"', client.get("/handover/links").text)[1]
    named = {"links": "share", "routes": "route", "absences": "absence"}
    id = scene[next((name for word, name in named.items() if word in operation[1]), MARK)]
    form = {name: text.format(**scene) for name, text in form.items()}
    address = operation[1].replace("<tank>", "riffle").replace("<entry>", "buffers")
    address = address.replace("<id>", id).replace("<picture>", "picture")
    address = address.replace("<trial>", str(scene["trial"]))
    assert client.post(address, data=form).status_code == 403  # without the form's own token
    answer = client.post(address, data=form | {"csrf_token": csrf})
    assert answer.status_code in (200, 303), answer.text
    csrf = re.search(r'name="csrf_token" value="([^"]+)"', client.get("/handover/links").text)[1]
    assert client.post("/logout", data={"csrf_token": csrf}).status_code == 303
    *records, refused = registry.audit()[: -len(before)]
    assert refused.actor == refused.actor.__class__(ActorKind.NOBODY, address="127.0.0.1")
    ended, *entered, record, started = records
    assert [one.action for one in entered] == (["log.added"] if action in ENTERED else [])
    assert [refused.action, started.action, record.action, ended.action] == [
        "login.refused",
        "session.started",
        action,
        "session.ended",
    ]
    assert is_subject(record.subject, subject, scene)
    for one in (started, record, ended):
        actor = (one.actor.kind, one.actor.name, one.actor.address)
        assert actor == (ActorKind.SESSION, scope.value, "127.0.0.1")
    stored = whole_table(registry)
    assert WRITTEN not in stored
    assert not [one for one in secrets.values() if one.split("_", 2)[2] in stored]


def test_what_changes_nothing_leaves_no_record(context, client):
    put(client)
    client.post("/v1/tanks/riffle/log", json={"kind": "trim", "id": "visit"})
    before = context.registry.audit()
    assert [one.action for one in before] == ["log.added", "tank.created"]
    assert put(client).status_code == 200
    assert client.patch("/v1/tanks/riffle", json={"name": TANK["name"]}).status_code == 200
    again = client.post("/v1/tanks/riffle/log", json={"kind": "trim", "id": "visit"})
    assert again.status_code == 201
    stale = client.delete("/v1/tanks/riffle", headers={"If-Match": '"none"'})
    assert stale.status_code == 412
    assert context.registry.audit() == before
    machine = {one.actor for one in before}
    assert {(one.kind, one.name, one.address) for one in machine} == {
        (ActorKind.MACHINE, "", "127.0.0.1")
    }


def test_sensors_over_http_are_recorded_once_an_hour(context, client):
    put(client)
    for _ in range(3):
        client.post("/v1/tanks/riffle/readings", json=READING)
    found = context.registry.audit(action=Action.READINGS_ADDED)
    assert [one.subject for one in found] == ["tanks/riffle/readings"]


def test_refused_log_ins_from_many_addresses_do_not_fill_the_registry(context, app, secrets):
    client = create_app(context).test_client()  # of its own, since it fills the limits
    for number in range(130):
        answer = client.get(
            "/v1/tanks",
            headers={"Authorization": "Bearer littoral_wrong"},
            environ_base={"REMOTE_ADDR": f"192.0.2.{number % 65}"},
        )
        assert answer.status_code == 401
    found = context.registry.audit(action=Action.LOGIN_REFUSED)
    assert len(found) == 60
    assert len({one.actor.address for one in found}) == 60  # each once a minute


def test_the_list_in_pages_and_by_what_is_asked(context, client):
    put(client)
    for number in range(5):
        client.post("/v1/tanks/riffle/log", json={"kind": "trim", "id": f"visit-{number}"})
    put(client, "riffle-2")
    listed, address = [], "/v1/audit?limit=3"
    while address:
        answer = client.get(address).get_json()
        assert set(answer) == {"records", "next"}
        listed += answer["records"]
        address = answer["next"]
    assert len(listed) == 7
    assert [one["sequence"] for one in listed] == sorted(
        (one["sequence"] for one in listed), reverse=True
    )
    assert set(listed[0]) == {"sequence", "time", "actor", "action", "subject", "members"}
    assert listed[0]["actor"] == {
        "kind": "machine",
        "id": "",
        "name": "",
        "address": "127.0.0.1",
    }

    def count(**options):
        return len(client.get("/v1/audit", query_string=options).get_json()["records"])

    assert count(subject="tanks/riffle") == 6  # not those of riffle-2
    assert count(subject="tanks/riffle/log/visit-1") == 1
    assert count(subject="tanks/%") == 0
    assert count(action="tank.created") == 2
    assert count(actor="somebody") == 0
    assert count(start=listed[2]["time"]) == 3
    assert count(end=listed[2]["time"]) == 4
    assert (
        "tank.created"
        in problem_of(client.get("/v1/audit?action=tank"), 422, "invalid-input")["detail"]
    )


def test_only_an_administrator_sees_it(context, client, secrets):
    for scope, status in ((Scope.READ, 403), (Scope.WRITE, 403), (Scope.ADMIN, 200)):
        headers = {"Authorization": f"Bearer {secrets[scope]}"}
        for method in ("GET", "HEAD"):
            for address in ("/v1/audit", "/audit"):
                answer = client.open(address, method=method, headers=headers)
                assert answer.status_code == status, (scope, address)
        link = 'href="/audit"' in client.get("/", headers=headers).text
        assert link is (scope is Scope.ADMIN)
    found = client.get(
        "/v1/audit?actor=admin", headers={"Authorization": f"Bearer {secrets[Scope.ADMIN]}"}
    )
    assert found.get_json()["records"] == []


def test_the_page_says_it_in_words(client):
    put(client)
    client.patch("/v1/tanks/riffle", json={"notes": "x", "kh": None})
    page = client.get("/audit").text
    assert "Somebody on this machine</b> changed the tank: kh, notes" in page
    assert "tanks/riffle · from 127.0.0.1" in page
    assert "No records for this choice." in client.get("/audit?subject=tanks/none").text
    for odd in ("before=x", "before=-1", f"before={9**99}", "actor=a%00b", "subject=%F0%9F%90%9F"):
        assert client.get(f"/audit?{odd}").status_code == 200, odd
