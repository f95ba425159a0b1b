"""Absences over HTTP: one list, read and replaced as a whole."""

from __future__ import annotations

import pytest

from tests.api.conftest import problem_of
from tests.api.scenes import put

URL = "/v1/absences"
AWAY = {"start": "2025-07-01T06:00:00Z", "end": "2025-07-21T20:00:00+02:00", "covers": "Invented"}


def test_empty(client):
    assert client.get(URL).get_json() == {"absences": [], "next": None}


def test_golden_shape(client):
    put(client)
    written = client.put(URL, json={"absences": [AWAY | {"tanks": ["riffle"], "id": "july"}]})
    assert written.status_code == 200
    assert written.get_json() == {
        "absences": [
            {
                "id": "july",
                "start": "2025-07-01T06:00:00Z",
                "end": "2025-07-21T18:00:00Z",
                "covers": "Invented",
                "tanks": ["riffle"],
                "note": "",
                "contact": "",
            }
        ],
        "next": None,
    }
    assert client.get(URL).get_json() == written.get_json()
    assert client.put(URL, json=written.get_json()).get_json() == written.get_json()
    assert client.put(URL, json={"absences": []}).get_json()["absences"] == []


def test_ids_are_given(client):
    written = client.put(URL, json={"absences": [AWAY, AWAY]}).get_json()["absences"]
    assert len({one["id"] for one in written}) == 2


def test_versions(client):
    tag = client.get(URL).headers["ETag"]
    assert client.get(URL, headers={"If-None-Match": tag}).status_code == 304
    client.put(URL, json={"absences": [AWAY]})
    stale = client.put(URL, json={"absences": []}, headers={"If-Match": tag})
    problem_of(stale, 412, "precondition-failed")
    present = client.get(URL).headers["ETag"]
    written = client.put(URL, json={"absences": []}, headers={"If-Match": present})
    assert written.status_code == 200
    assert written.headers["ETag"] == client.get(URL).headers["ETag"] != present
    for condition in ("*", '"never", "seen"', "W/" + written.headers["ETag"], ""):
        refused = condition != "*"
        again = client.put(URL, json={"absences": []}, headers={"If-Match": condition})
        assert again.status_code == (412 if refused else 200), condition


@pytest.mark.parametrize(
    ("absence", "pointer"),
    [
        ({}, "/absences/0/start"),
        (AWAY | {"end": "2025-06-01T00:00:00Z"}, "/absences/0/end"),
        (AWAY | {"start": "soon"}, "/absences/0/start"),
        (AWAY | {"tanks": ["none"]}, "/absences/0/tanks/0"),
        (AWAY | {"tanks": "none"}, "/absences/0/tanks"),
        (AWAY | {"who": "x"}, "/absences/0/who"),
    ],
)
def test_refusals(client, absence, pointer):
    body = problem_of(client.put(URL, json={"absences": [absence]}), 422, "invalid-input")
    assert pointer in [error["pointer"] for error in body["errors"]]


def test_two_of_one_id(client):
    both = [AWAY | {"id": "july"}, AWAY | {"id": "july"}]
    body = problem_of(client.put(URL, json={"absences": both}), 422, "invalid-input")
    assert body["errors"][0]["pointer"] == "/absences/1/id"


def test_an_absence_lasts_at_most_a_year(client):
    def put(end):
        absence = {"start": "2024-01-01T00:00:00Z", "end": end}
        return client.put("/v1/absences", json={"absences": [absence]})

    assert put("2025-01-01T00:00:00Z").status_code == 200
    wrong = problem_of(put("2199-12-31T00:00:00Z"), 422, "invalid-input")
    assert wrong["errors"][0]["pointer"] == "/absences/0/end"
    assert "'2199-12-31T00:00:00Z'; allowed: " in wrong["detail"]
    assert "within 366 days" in wrong["detail"]
