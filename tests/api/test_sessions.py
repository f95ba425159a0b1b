"""``/v1/sessions``: who is logged in, listed and ended; one's own, or as an admin all."""

from __future__ import annotations

from datetime import timedelta

import pytest

from service.registry.audit import Action, ActorKind
from service.registry.models.access import Scope
from tests.api.conftest import NOW, problem_of


@pytest.fixture
def person(context):
    """``person(name, scope)``: header of a new token, and the id of a session begun with it."""

    def make(name, scope):
        token, secret = context.registry.create_token(name, Scope(scope), NOW)
        expires = NOW + timedelta(days=30)
        session, _ = context.registry.create_session(token.id, NOW, expires=expires)
        return {"Authorization": f"Bearer {secret}"}, token.id, session.id

    return make


def ids(response):
    assert response.status_code == 200, response.get_data(as_text=True)
    return {one["id"] for one in response.get_json()["sessions"]}


def test_everybody_sees_their_own_and_an_admin_all(client, person):
    reader, read_token, mine = person("phone", "read")
    admin, admin_token, of_admin = person("desk", "admin")
    (one,) = client.get("/v1/sessions", headers=reader).get_json()["sessions"]
    assert one == {
        "id": mine,
        "token": read_token,
        "name": "phone",
        "state": "active",
        "created": "2025-06-04T12:00:00Z",
        "last_used": "2025-06-04T12:00:00Z",
        "expires": "2025-07-04T12:00:00Z",
        "ended": None,
        "current": False,
    }
    assert ids(client.get("/v1/sessions", headers=admin)) == {mine, of_admin}
    assert ids(client.get(f"/v1/sessions?token={read_token}", headers=admin)) == {mine}
    refused = client.get(f"/v1/sessions?token={admin_token}", headers=reader)
    assert "scope admin" in problem_of(refused, 403, "forbidden")["detail"]


def test_one_is_ended_by_who_it_belongs_to_or_an_admin(client, person):
    reader, _, mine = person("phone", "read")
    admin, _, of_admin = person("desk", "admin")
    problem_of(client.delete(f"/v1/sessions/{of_admin}", headers=reader), 404, "not-found")
    problem_of(client.delete("/v1/sessions/nothing", headers=reader), 404, "not-found")
    gone = client.delete(f"/v1/sessions/{mine}", headers=admin).get_json()
    assert (gone["state"], gone["ended"]) == ("ended", "2025-06-04T12:00:00Z")
    assert client.delete(f"/v1/sessions/{mine}", headers=reader).get_json() == gone


def test_all_of_one_token_are_ended_together(client, person):
    reader, read_token, mine = person("phone", "read")
    admin, admin_token, of_admin = person("desk", "admin")
    problem_of(client.delete(f"/v1/sessions?token={admin_token}", headers=reader), 403, "forbidden")
    assert ids(client.delete("/v1/sessions", headers=admin)) == {of_admin}
    assert ids(client.delete(f"/v1/sessions?token={read_token}", headers=admin)) == {mine}
    assert ids(client.delete("/v1/sessions", headers=reader)) == set()
    states = {one["state"] for one in client.get("/v1/sessions", headers=admin).json["sessions"]}
    assert states == {"ended"}


def test_who_ended_what_is_recorded(client, context, person):
    _, read_token, mine = person("phone", "read")
    admin, admin_token, _ = person("desk", "admin")
    for _ in range(2):  # once is enough
        client.delete(f"/v1/sessions/{mine}", headers=admin)
        client.delete("/v1/sessions", headers=admin)
    newest, older = context.registry.audit(action=Action.SESSION_ENDED)
    assert newest.subject == f"tokens/{admin_token}/sessions"
    assert older.subject == f"tokens/{read_token}/sessions/{mine}"
    assert {(one.actor.kind, one.actor.name) for one in (newest, older)} == {
        (ActorKind.TOKEN, "desk")
    }


def test_one_of_an_expired_token_is_expired(client, context, person):
    admin, _, _ = person("desk", "admin")
    short, _ = context.registry.create_token(
        "guest", Scope.READ, NOW - timedelta(days=1), expires=NOW
    )
    context.registry.create_session(short.id, NOW, expires=NOW + timedelta(days=1))
    found = client.get(f"/v1/sessions?token={short.id}", headers=admin).get_json()["sessions"]
    assert [one["state"] for one in found] == ["expired"]


def test_without_any_token_there_is_none(client):
    assert client.get("/v1/sessions").get_json() == {"sessions": [], "next": None}
    assert client.delete("/v1/sessions").get_json() == {"sessions": [], "next": None}
