"""Recommendations over HTTP: made by the real scheduler, read, marked."""

from __future__ import annotations

import pytest

from service.advice.engine.scheduler import Scheduler
from service.api.context import install
from service.app.application import Application
from tests.api.conftest import problem_of
from tests.api.scenes import day_of_readings, put

URL = "/v1/tanks/riffle/recommendations"


@pytest.fixture
def evaluate(context):
    """Evaluate all tanks once."""
    scheduler = Scheduler(context.registry, context.store, context.clock, 60.0)
    return scheduler.evaluate_all


@pytest.fixture
def warm(client, context, evaluate):
    """A tank that is three degrees too warm for its invented animals."""
    animals = [
        {"species": "Invented species", "temperature": {"low": 18, "high": 25, "unit": "Cel"}}
    ]
    put(client, animals=animals)
    day_of_readings(context.store, celsius=28.0)
    evaluate()


def warning_of(client):
    found = client.get(URL).get_json()["recommendations"]
    return next(one for one in found if one["severity"] in ("warning", "urgent"))


def test_golden_shape(client, warm):
    answer = client.get(URL).get_json()
    assert set(answer) == {"tank", "recommendations", "next"}
    assert (answer["tank"], answer["next"]) == ("riffle", None)
    one = warning_of(client)
    assert set(one) == {
        "id",
        "tank",
        "code",
        "subject",
        "severity",
        "state",
        "title",
        "action",
        "amounts",
        "evidence",
        "cautions",
        "who",
        "log",
        "confidence",
        "due",
        "since",
        "first_seen",
        "last_seen",
        "snoozed_until",
        "folded",
    }
    assert (one["tank"], one["state"], one["snoozed_until"]) == ("riffle", "open", None)
    assert one["first_seen"] == "2025-06-04T12:00:00Z"
    assert one["evidence"] and all(fact["text"] for fact in one["evidence"])
    assert client.get(f"/v1/recommendations/{one['id']}").get_json() == one


def test_of_all_tanks_most_urgent_first(client, context, evaluate, warm):
    put(client, "pool")
    evaluate()
    found = client.get("/v1/recommendations").get_json()["recommendations"]
    weights = [("info", "advice", "warning", "urgent").index(one["severity"]) for one in found]
    assert weights == sorted(weights, reverse=True)
    assert {one["id"] for one in client.get(URL).get_json()["recommendations"]} <= {
        one["id"] for one in found
    }
    first = client.get("/v1/recommendations?limit=1").get_json()["recommendations"]
    assert [one["id"] for one in first] == [found[0]["id"]]


def test_a_tank_without_advice(client):
    put(client)
    assert client.get(URL).get_json() == {"tank": "riffle", "recommendations": [], "next": None}


@pytest.mark.parametrize(("action", "state"), [("done", "done"), ("dismiss", "dismissed")])
def test_marked_it_no_longer_stands_until_it_is_opened_again(client, warm, action, state):
    one = warning_of(client)
    marked = client.post(f"/v1/recommendations/{one['id']}/{action}")
    assert marked.status_code == 200
    assert marked.get_json()["state"] == state
    standing = client.get(URL).get_json()["recommendations"]
    assert one["id"] not in [each["id"] for each in standing]
    in_state = client.get(f"{URL}?state={state}").get_json()["recommendations"]
    assert [each["id"] for each in in_state] == [one["id"]]
    anywhere = client.get(f"{URL}?state=any").get_json()["recommendations"]
    assert one["id"] in [each["id"] for each in anywhere]
    opened = client.post(f"/v1/recommendations/{one['id']}/open").get_json()
    assert opened["state"] == "open"


@pytest.mark.parametrize(
    ("body", "until"),
    [
        (None, "2025-06-05T12:00:00Z"),
        ({}, "2025-06-05T12:00:00Z"),
        ({"length": "2h"}, "2025-06-04T14:00:00Z"),
        ({"length": "P2D"}, "2025-06-06T12:00:00Z"),
        ({"until": "2025-06-10T06:00:00+02:00"}, "2025-06-10T04:00:00Z"),
    ],
)
def test_snooze(client, warm, body, until):
    id = warning_of(client)["id"]
    snoozed = client.post(f"/v1/recommendations/{id}/snooze", json=body)
    snoozed = snoozed if body is not None else client.post(f"/v1/recommendations/{id}/snooze")
    assert snoozed.status_code == 200, snoozed.get_data(as_text=True)
    answer = snoozed.get_json()
    assert (answer["state"], answer["snoozed_until"]) == ("snoozed", until)
    listed = client.get(f"{URL}?state=snoozed").get_json()["recommendations"]
    assert [one["id"] for one in listed] == [id]


@pytest.mark.parametrize(
    ("body", "pointer"),
    [
        ({"until": "2025-06-04T11:00:00Z"}, "/until"),
        ({"until": "2025-06-10T06:00:00Z", "length": "1d"}, "/until"),
        ({"length": "soon"}, "/length"),
        ({"for": "1d"}, "/for"),
    ],
)
def test_snooze_refusals(client, warm, body, pointer):
    id = warning_of(client)["id"]
    refused = problem_of(
        client.post(f"/v1/recommendations/{id}/snooze", json=body), 422, "invalid-input"
    )
    assert refused["errors"][0]["pointer"] == pointer


def test_unknown_ones(client):
    problem_of(client.get("/v1/recommendations/none"), 404, "not-found")
    problem_of(client.post("/v1/recommendations/none/done"), 404, "not-found")
    problem_of(client.get("/v1/tanks/none/recommendations"), 404, "not-found")
    problem_of(client.get("/v1/recommendations?state=odd"), 422, "invalid-input")
    put(client)
    problem_of(client.post("/v1/recommendations/none/celebrate"), 404, "not-found")


def test_what_is_over_cannot_be_marked(client, context, evaluate, warm):
    id = warning_of(client)["id"]
    client.post(f"/v1/recommendations/{id}/done")
    context.registry.delete_tank("riffle")
    problem_of(client.post(f"/v1/recommendations/{id}/done"), 404, "not-found")


def test_a_log_entry_nudges_the_scheduler(made, context):
    nudged = []

    class Nudged(Application):
        def nudge(self):
            nudged.append(True)

    install(made, Nudged(context.config, context.clock, context.store, context.registry))
    client = made.test_client()
    put(client)
    assert len(nudged) == 1
    client.post("/v1/tanks/riffle/log", json={"kind": "trim"})
    assert len(nudged) == 2
    client.post("/v1/tanks/riffle/log", json={"kind": "party"})
    assert len(nudged) == 2


def test_done_is_logged_with_its_amount_or_asks_for_the_missing_number(client, context, evaluate):
    put(client, kh_tested="2025-05-01")
    day_of_readings(context.store)
    evaluate()
    found = {one["code"]: one for one in client.get(URL).get_json()["recommendations"]}
    change, test = found["water-change-due"], found["kh-test-due"]
    assert (change["log"], test["log"]) == (
        {"kind": "water-change", "asks": []}, {"kind": "kh-test", "asks": ["kh"]},
    )  # fmt: skip
    done = client.post(f"/v1/recommendations/{change['id']}/done", json={"by": "Invented"})
    assert done.get_json()["state"] == "done"
    (entry,) = client.get("/v1/tanks/riffle/log").get_json()["entries"]
    assert (entry["kind"], entry["by"]) == ("water-change", "Invented")
    assert entry["data"]["fraction"] == {"value": 50, "unit": "%"}
    address = f"/v1/recommendations/{test['id']}/done"
    missing = problem_of(client.post(address), 422, "invalid-input")
    assert missing["errors"][0]["pointer"] == "/data/kh"
    wrong = problem_of(client.post(address, json={"data": {"kh": "much"}}), 422, "invalid-input")
    assert wrong["errors"][0]["pointer"] == "/data/kh"
    answer = client.post(address, json={"data": {"kh": {"value": 4, "unit": "dKH"}}})
    assert answer.get_json().get("state") == "done", answer.get_json()
    kinds = [one["kind"] for one in client.get("/v1/tanks/riffle/log").get_json()["entries"]]
    assert sorted(kinds) == ["kh-test", "water-change"]
    client.post(f"/v1/recommendations/{change['id']}/open")
    kinds = [one["kind"] for one in client.get("/v1/tanks/riffle/log").get_json()["entries"]]
    assert kinds == ["kh-test"]
