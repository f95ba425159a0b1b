"""What a request's body may cost: its bytes, its values, the items of each list, calculations."""

from __future__ import annotations

import json
from dataclasses import replace

import pytest

from ingest.process import PAYLOAD_LIMIT_BYTES
from service.api.calculate.table import FORMULAS
from service.api.http import json_text
from service.api.http.blueprint import (
    LIST_BYTES,
    MOST_BYTES,
    PICTURES_BYTES,
    USUAL_BYTES,
)
from service.api.http.json_text import DEEPEST, MOST_VALUES, MalformedRequestError, read_json
from service.api.http.openapi import spec_of
from service.app.app_factory import create_app
from service.errors import InvalidInputError
from service.registry.fields.named import SensorChoice, Thresholds
from service.registry.models.access import Scope
from service.schemas.base import Items, Schema
from service.schemas.fields import Number
from service.schemas.messages import error_of_messages
from tests.api.conftest import NOW, problem_of
from tests.api.scenes import put

CO2 = "/v1/calculate/co2"


def bodies(spec):
    """Each operation with a body: method, path, limit in bytes, content by media type."""
    for path, item in spec["paths"].items():
        for method, operation in item.items():
            if method != "parameters" and "requestBody" in operation:
                content = operation["requestBody"]["content"]
                yield method, path, operation.get(MOST_BYTES, USUAL_BYTES), content


def test_six_megabytes_of_empty_objects_are_refused_before_they_are_read(client):
    body = b'{"pairs": [' + b",".join([b"{}"] * 2_000_000) + b"]}"
    answer = client.post("/v1/calculate/light-sensor", data=body, content_type="application/json")
    assert f"{USUAL_BYTES} bytes" in problem_of(answer, 413, "too-large")["detail"]


def test_each_body_may_be_as_long_as_the_document_says_and_no_longer(app):
    found = list(bodies(spec_of(app)))
    allowed = {USUAL_BYTES, PAYLOAD_LIMIT_BYTES, 1024 * 1024, LIST_BYTES, PICTURES_BYTES}
    assert {limit for _, _, limit, _ in found} <= allowed
    client = app.test_client()
    for method, path, limit, kinds in found:
        address = path.replace("{tank}", "riffle").replace("{id}", "one")
        kind = {"content_type": f"{next(iter(kinds))}; boundary=x"}
        answer = client.open(address, method=method, data=b" " * (limit + 1), **kind)
        assert str(limit) in problem_of(answer, 413, "too-large")["detail"], path
        answer = client.open(address, method=method, data=b" " * limit, **kind)
        assert answer.status_code in (200, 400, 404, 422), path


def test_a_form_that_is_too_long_is_refused(client):
    answer = client.post("/login", data={"secret": "x" * 300_000})
    assert answer.status_code == 413


def test_every_list_and_object_that_is_taken_says_how_many_it_may_have(app):
    spec = spec_of(app)

    def walk(schema, at):
        if "$ref" in schema:
            schema = spec["components"]["schemas"][schema["$ref"].rsplit("/", 1)[1]]
        if schema.get("readOnly"):
            return
        if "array" in schema.get("type", ()):
            assert "maxItems" in schema, at
            yield at
        if schema.get("additionalProperties", False) is not False:
            assert "maxProperties" in schema or "propertyNames" in schema, at
        for part in ("oneOf", "anyOf"):
            for number, one in enumerate(schema.get(part, ())):
                yield from walk(one, f"{at}|{number}")
        for name, one in schema.get("properties", {}).items():
            yield from walk(one, f"{at}/{name}")
        if "items" in schema:
            yield from walk(schema["items"], f"{at}[]")

    lists = [
        at
        for _, path, _, content in bodies(spec)
        for one in content.values()
        for at in walk(one["schema"], path)
    ]
    assert len(lists) > 10


class Counted(Schema):
    """An item that counts how often it is read."""

    read = 0
    value = Number()

    def load(self, *args, **kwargs):
        Counted.read += 1
        return super().load(*args, **kwargs)


class Listed(Schema):
    items = Items(Counted, shortest=2, longest=3)


@pytest.mark.parametrize("number", [0, 1, 4, 100_000])
def test_items_are_counted_before_one_is_read(number):
    Counted.read = 0
    found = Listed().validate({"items": [{}] * number})
    assert found == {"items": [f"has {number} items; allowed: 2 to 3"]}
    assert Counted.read == 0
    assert Listed().validate({"items": [{}, {}]}) == {}
    assert Counted.read == 2


def test_members_are_counted_before_one_is_named():
    many = {f"n{number}": 1 for number in range(10_000)}
    for read in (Counted().load, SensorChoice().deserialize, Thresholds(known={}).deserialize):
        with pytest.raises(Exception) as refused:
            read(many)
        error = error_of_messages(refused.value.messages)
        assert isinstance(error, InvalidInputError)
        assert "has 10000 members; allowed: " in error.detail
        assert len(error.detail) < 500


@pytest.mark.parametrize(
    ("body", "wrong"),
    [
        (b"[" * 100_000, f"up to {DEEPEST} arrays and objects"),
        (b'{"a":' * (DEEPEST + 1) + b"1" + b"}" * (DEEPEST + 1), f"up to {DEEPEST} arrays"),
        (b"[" + b"{}," * MOST_VALUES + b"1]", f"up to {MOST_VALUES}"),
        (b"[" + b"1," * MOST_VALUES + b"1]", f"up to {MOST_VALUES}"),
        (b"[-" + b"9" * 4000 + b"]", "4001 digits, -9999999999999999999…; allowed: up to 400"),
        (b'"' * 5001, "not JSON"),
    ],
)
def test_a_body_is_measured_before_a_value_is_made(body, wrong, monkeypatch):
    if b"9" not in body and body[:2] != b'""':
        monkeypatch.setattr(json_text.json, "loads", None)
    with pytest.raises(MalformedRequestError, match=wrong):
        read_json(body)


def test_what_stands_in_texts_counts_for_nothing():
    text = '[{,"\\' * 50_000
    assert read_json(json.dumps({"note": text}).encode()) == {"note": text}
    deep = b"[" * DEEPEST + b"]" * DEEPEST
    assert json.dumps(read_json(deep)).encode() == deep
    assert read_json(b"[" + b"1," * (MOST_VALUES - 2) + b"1]") == [1] * (MOST_VALUES - 1)


def test_calculations_are_limited_by_caller_and_apart_from_changes(context):
    http = replace(context.config.http, calculations_per_minute=4, writes_per_minute=2)
    app = create_app(replace(context, config=replace(context.config, http=http)))
    client = app.test_client()
    put(client)
    tokens = [context.registry.create_token(name, Scope.READ, NOW)[1] for name in "ab"]
    one, other = ({"Authorization": f"Bearer {secret}"} for secret in tokens)
    question = FORMULAS[0].example
    for _ in range(3):
        assert client.post(CO2, json=question, headers=one).status_code == 200
    client.post("/v1/tanks/riffle/what-if", json={}, headers=one)
    response = client.post(CO2, json=question, headers=one)
    assert "4 calculations" in problem_of(response, 429, "too-many-requests")["detail"]
    assert int(response.headers["Retry-After"]) >= 1
    response = client.post("/v1/tanks/riffle/what-if", json={}, headers=one)
    problem_of(response, 429, "too-many-requests")
    assert client.get("/v1/tanks", headers=one).status_code == 200
    assert client.post(CO2, json=question, headers=other).status_code == 200
    elsewhere = {"REMOTE_ADDR": "127.0.0.2"}
    answer = client.post(CO2, json=question, headers=other, environ_base=elsewhere)
    assert answer.status_code == 200
