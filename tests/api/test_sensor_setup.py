"""Routes over HTTP, and what arrives at the broker: who may see it, within which limits."""

from __future__ import annotations

from dataclasses import replace

import pytest

from service.api.resources.broker import traffic
from service.app.app_factory import create_app
from service.config import RouteConfig
from service.mqtt.listening import Heard, Hearing, is_filter
from service.registry.models.access import Scope
from service.times import to_us
from tests.api.conftest import NOW, problem_of
from tests.api.scenes import put

BOX = {"topic": "yard/box", "tank": "riffle", "quantity": "ph"}
ARRIVED = to_us(NOW)
SHOWN = ("/v1/broker/topics", "/sensors", "/sensors/route?topic=door/lock")


def heard(topic, payload, **members):
    return Heard(topic, payload, 3, ARRIVED, False, **members)


class FakeListener:
    """Has heard something, whatever is asked for."""

    def __init__(self, *messages):
        self.asked = []
        self.hearing = Hearing(messages, listening=True)

    def hear(self, filters):
        self.asked.append(filters)
        return self.hearing

    def present(self):
        return self.hearing


@pytest.fixture
def hears(monkeypatch):
    """``hears(message, …)``: the broker has sent them."""

    def made(*messages):
        listener = FakeListener(*messages)
        monkeypatch.setattr(traffic, "_listener", lambda: listener)
        return listener

    return made


def test_routes_have_an_origin_and_go_together(context, made):
    configured = RouteConfig("yard/old", "riffle", "temperature")
    context = replace(context, config=replace(context.config, routes=(configured,)))
    client = create_app(context).test_client()
    put(client)
    answer = client.post("/v1/routes", json=BOX)
    assert answer.status_code == 201
    made = answer.get_json()
    assert (made["origin"], made["unused"]) == ("registry", None)
    listed = client.get("/v1/routes").get_json()["routes"]
    assert [(one["origin"], one["route"]["topic"]) for one in listed] == [
        ("configuration", "yard/old"),
        ("registry", "yard/box"),
    ]
    for wrong, words in (
        ({**BOX, "path": "b"}, "two values into one series"),
        ({**BOX, "topic": "yard/second"}, "give this one another sensor"),
        ({**BOX, "topic": "yard/old", "quantity": "temperature", "path": "x"}, "one series"),
    ):
        detail = problem_of(client.post("/v1/routes", json=wrong), 409, "conflict")["detail"]
        assert words in detail
    for wrong, pointer in (
        ({**BOX, "tank": "nowhere"}, "/tank"),
        ({**BOX, "sensor": "A b"}, "/sensor"),
        ({**BOX, "names": {"t": "warmth"}}, "/names/t"),
    ):
        problem = problem_of(client.post("/v1/routes", json=wrong), 422, "invalid-input")
        assert problem["errors"][0]["pointer"] == pointer
    assert (
        client.post("/v1/routes", json={**BOX, "topic": "a/#/b", "tank": None}).status_code == 409
    )
    assert client.delete(f"/v1/routes/{made['id']}").status_code == 200
    problem_of(client.delete(f"/v1/routes/{made['id']}"), 404, "not-found")


def test_a_route_that_the_configuration_contradicts_later_says_so(context):
    client = create_app(context).test_client()
    put(client)
    client.post("/v1/routes", json=BOX)
    config = replace(
        context.config, routes=(RouteConfig("yard/box", "riffle", "ph", path="other"),)
    )
    later = create_app(replace(context, config=config)).test_client()
    _, ours = later.get("/v1/routes").get_json()["routes"]
    assert "two values into one series" in ours["unused"]


def test_what_arrives_with_what_it_would_be(client, hears):
    put(client)
    listener = hears(
        heard("littoral/riffle/ph", b"6.62"),
        heard("yard/riffle/ph_value", b"6,7"),
        heard("yard/box", b'{"temp": 24.5, "rssi": -60}'),
        heard("littoral/riffle/advice/co2-low", b"{}"),
        heard("camera/yard", b"", too_long=90_000),
    )
    answer = client.get("/v1/broker/topics?filter=%2B/%23").get_json()
    assert listener.asked == [("+/#",)]
    found = {one["topic"]: one for one in answer["topics"]}
    assert list(found) == ["camera/yard", "yard/box", "yard/riffle/ph_value", "littoral/riffle/ph"]
    stored = {"tank": "riffle", "quantity": "ph", "sensor": "main", "unit": "[pH]", "flags": []}
    assert found["littoral/riffle/ph"]["stored"] == [stored | {"value": 6.62}]
    [offer] = found["yard/riffle/ph_value"]["offers"]
    assert (offer["left_open"], offer["stored"]) == ([], [stored | {"value": 6.7}])
    assert offer["route"]["topic"] == "yard/riffle/ph_value"
    [offer] = found["yard/box"]["offers"]
    assert (offer["left_open"], offer["stored"]) == (["tank"], [])
    assert found["camera/yard"]["payload"] == ""
    sent = {name: value for name, value in offer["route"].items() if value not in (None, {})}
    assert client.post("/v1/routes", json=sent | {"tank": "riffle"}).status_code == 201


def test_of_a_payload_no_more_than_its_beginning_is_shown(client, hears):
    put(client)
    secret = b"x" * 200 + b"password"
    hears(heard("door/lock", secret), heard("door/page", b"<script>alert(1)</script>"))
    for address in SHOWN:
        answer = client.get(address)
        assert answer.status_code == 200
        assert "x" * 100 in answer.text
        assert "x" * 121 not in answer.text
        assert "password" not in answer.text


def test_only_who_may_write_sees_the_brokers_messages(context, client, hears):
    hears(heard("door/lock", b"open"))
    put(client)
    secrets = {scope: context.registry.create_token(scope.value, scope, NOW)[1] for scope in Scope}
    for address in SHOWN:
        assert client.get(address).status_code in (302, 303, 401)
        for scope, status in ((Scope.READ, 403), (Scope.WRITE, 200), (Scope.ADMIN, 200)):
            for method in ("GET", "HEAD"):
                answer = client.open(
                    address, method=method, headers={"Authorization": f"Bearer {secrets[scope]}"}
                )
                assert answer.status_code == status, (address, scope)
                assert b"door/lock" not in answer.data or status == 200


@pytest.mark.parametrize("wrong", ["a/#/b", "a+", "", "x" * 300, "a\0b"])
def test_a_filter_that_is_none_is_refused(client, wrong):
    assert not is_filter(wrong)
    assert client.get("/v1/broker/topics", query_string={"filter": wrong}).status_code == 422
