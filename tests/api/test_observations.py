"""Observations on a scale over HTTP, from the client, on the command line and with a link."""

from __future__ import annotations

import json
from datetime import timedelta

import pytest

from service.client import Client
from service.registry.log.observations import OBSERVATIONS
from tests.api.conftest import NOW, problem_of
from tests.api.resources.handover.reporting import done, entries, linked, sent, task
from tests.api.scenes import put
from tests.api.test_handover import away  # noqa: F401 - a fixture used here too
from tests.cli.conftest import littoral  # noqa: F401 - fixtures used here too
from tests.over_http import look, url  # noqa: F401 - fixtures used here too

URL = "/v1/tanks/riffle/observations"


@pytest.fixture
def seen(client):
    """A tank with four observations on a scale and a free one."""
    put(client)
    for days, data in enumerate(
        (
            {"kind": "tufts", "level": 3},
            {"kind": "threads", "level": 1},
            {"snails": 4},
            {"kind": "tufts", "level": 2},
            {"kind": "tufts", "level": 0},
        )
    ):
        body = {"kind": "observation", "data": data, "by": "Ada", "note": f"day {days}"}
        at = (NOW - timedelta(days=days)).isoformat()
        assert client.post("/v1/tanks/riffle/log", json=body | {"time": at}).status_code == 201
    return client


def test_golden_shape(seen):
    answer = seen.get(URL).get_json()
    assert list(answer) == ["tank", "observations", "next"]
    first, *rest = answer["observations"]
    assert first == {
        "entry": first["entry"],
        "time": "2025-06-04T12:00:00Z",
        "kind": "tufts",
        "title": "Tufts of algae",
        "level": 3,
        "step": "tufts on the edges of many old leaves",
        "note": "day 0",
        "by": "Ada",
    }
    assert [(one["kind"], one["level"]) for one in rest] == [
        ("threads", 1), ("tufts", 2), ("tufts", 0),
    ]  # fmt: skip
    assert seen.get(f"/v1/tanks/riffle/log/{first['entry']}").get_json()["data"] == {
        "kind": "tufts",
        "level": 3,
    }


def test_a_kind_a_span_and_parts_of_the_list(seen):
    tufts = seen.get(f"{URL}?kind=tufts").get_json()["observations"]
    assert [one["level"] for one in tufts] == [3, 2, 0]
    end = (NOW - timedelta(days=1)).isoformat().replace("+00:00", "Z")
    assert len(seen.get(f"{URL}?end={end}").get_json()["observations"]) == 2
    found, address = [], f"{URL}?limit=2"
    while address:
        page = seen.get(address).get_json()
        found += page["observations"]
        address = page["next"]
    assert len(found) == 4
    problem = problem_of(seen.get(f"{URL}?kind=moss"), 422, "invalid-input")
    assert "tufts" in problem["detail"]
    assert seen.get("/v1/tanks/none/observations").status_code == 404


def test_what_can_be_seen(client):
    scales = client.get("/v1/observations").get_json()["observations"]
    assert [one["kind"] for one in scales] == list(OBSERVATIONS)
    assert {len(one["steps"]) for one in scales} == {6}


def test_a_kind_without_a_level_is_refused(client):
    put(client)
    body = {"kind": "observation", "data": {"kind": "tufts"}}
    problem = problem_of(client.post("/v1/tanks/riffle/log", json=body), 422, "invalid-input")
    assert problem["errors"][0]["pointer"] == "/data/level"


def test_client_and_command(seen, url, littoral):  # noqa: F811
    found = list(Client(url).observations("riffle", kind="tufts"))
    assert [one.level for one in found] == [3, 2, 0] and found[0].step.startswith("tufts on")
    assert [one.kind for one in Client(url).observation_scales()] == list(OBSERVATIONS)
    shown = littoral("observations", "riffle", "--url", url)
    assert shown.code == 0, shown.err
    assert "tufts" in shown.out and "a few threads" not in shown.err
    listed = littoral("observations", "riffle", "--limit", "1", "--json", "--url", url)
    (one,) = json.loads(listed.out)["observations"]
    assert (one["kind"], one["level"]) == ("tufts", 3)
    scales = littoral("observations", "--scales", "--kind", "hydra", "--url", url)
    assert scales.out.splitlines()[:2] == [
        "hydra: Hydra (they sting)",
        "  0  none seen on wood or glass",
    ]
    assert littoral("observations", "--url", url).code == 2


def test_with_a_link(away):  # noqa: F811
    path = linked(away)
    offered = away.get(f"{path}/tasks").get_json()
    assert [one["kind"] for one in offered["observations"]] == list(OBSERVATIONS)
    given = {"kind": "surface-breathing", "level": 2}
    stored = done(away, path, offered["note"], observation=given)
    assert stored["title"] == (
        "Breathing at the surface 2: a few animals, at one time of the day only"
    )
    newest, *_ = entries(away)
    assert (newest["kind"], newest["by"], newest["data"]) == ("observation", "Ada", given)
    done(away, path, offered["note"], observation=given, note="the small ones")
    assert "the small ones" in {one["note"] for one in entries(away)}
    with_task = sent(away, path, task(away, path, "Look at the tank"), observation=given)
    assert with_task.get_json()["errors"][0]["pointer"] == "/observation"
    for wrong in ({"kind": "moss", "level": 1}, {"kind": "hydra", "level": 9}, {"kind": "hydra"}):
        assert sent(away, path, offered["note"], observation=wrong).status_code == 422
    shows = linked(away, may_report=False)
    assert sent(away, shows, offered["note"], observation=given).status_code == 403
