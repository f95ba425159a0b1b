"""Conditions of writes (RFC 9110, 13.1): compared where there are versions, else refused."""

from __future__ import annotations

import pytest

from service.api.http.openapi import spec_of
from tests.api.conftest import problem_of
from tests.api.scenes import TANK, put

HEADERS = ("If-Match", "If-None-Match")
VERSIONED = {
    ("put", "/v1/tanks/{tank}", "If-Match"),
    ("put", "/v1/tanks/{tank}", "If-None-Match"),
    ("patch", "/v1/tanks/{tank}", "If-Match"),
    ("delete", "/v1/tanks/{tank}", "If-Match"),
    ("put", "/v1/absences", "If-Match"),
    ("patch", "/v1/tanks/{tank}/trials/{trial}", "If-Match"),
    ("delete", "/v1/tanks/{tank}/trials/{trial}", "If-Match"),
    ("post", "/v1/tanks/{tank}/trials/{trial}/judge", "If-Match"),
    ("post", "/v1/tanks/{tank}/trials/{trial}/end", "If-Match"),
}


def writes(app):
    """Every operation that may write, with each header."""
    for path, item in spec_of(app)["paths"].items():
        for method in set(item) & {"put", "post", "patch", "delete"}:
            for header in HEADERS:
                yield method, path, header


def test_no_write_passes_over_a_condition(app, client):
    before = put(client).get_json()
    asked = list(writes(app))
    assert set(asked) >= VERSIONED
    assert len(asked) > 50
    for method, path, header in asked:
        if (method, path, header) in VERSIONED:
            continue
        address = path.replace("{tank}", "riffle").replace("{", "").replace("}", "")
        answer = client.open(address, method=method.upper(), headers={header: '"some"'})
        problem = problem_of(answer, 412, "precondition-failed")
        assert header in problem["detail"], (method, path)
    assert client.get("/v1/tanks/riffle").get_json() == before
    assert client.get("/v1/tanks/riffle/log").get_json()["entries"] == []


@pytest.mark.parametrize(
    ("headers", "status"),
    [
        ({"If-Match": "*"}, 200),
        ({"If-Match": '"other", {tag}'}, 200),
        ({"If-Match": "W/{tag}"}, 412),
        ({"If-Match": '"", {tag}'}, 200),  # an empty tag is one, and no resource has it
        ({"If-Match": '""'}, 412),
        ({"If-Match": ""}, 412),
        ({"If-Match": '"other"'}, 412),
        ({"If-None-Match": "*"}, 412),
        ({"If-None-Match": "{tag}"}, 412),
        ({"If-None-Match": "W/{tag}"}, 412),
        ({"If-None-Match": '"other"'}, 200),
        ({"If-Match": "{tag}", "If-None-Match": '"other"'}, 200),
        ({"If-Match": "{tag}", "If-None-Match": "*"}, 412),
    ],
)
def test_conditions_of_a_tank_that_is_there(client, headers, status):
    tag = put(client).headers["ETag"]
    filled = {name: value.replace("{tag}", tag) for name, value in headers.items()}
    answer = client.put("/v1/tanks/riffle", json=TANK, headers=filled)
    assert answer.status_code == status
    assert (client.get("/v1/tanks/riffle").headers["ETag"] == tag) == (status == 412)


@pytest.mark.parametrize(
    ("headers", "status"),
    [
        ({"If-None-Match": "*"}, 201),
        ({"If-None-Match": '"other"'}, 201),
        ({"If-Match": "*"}, 412),
        ({"If-Match": '"other"'}, 412),
    ],
)
def test_conditions_of_a_tank_that_is_not_there(client, headers, status):
    answer = client.put("/v1/tanks/riffle", json=TANK, headers=headers)
    assert answer.status_code == status
    assert client.get("/v1/tanks/riffle").status_code == (200 if status == 201 else 404)


@pytest.mark.parametrize("method", ["patch", "delete"])
def test_what_is_not_there_is_not_found_whatever_the_condition(client, method):
    answer = client.open("/v1/tanks/none", method=method, json={}, headers={"If-Match": '"a"'})
    problem_of(answer, 404, "not-found")
