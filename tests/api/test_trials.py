"""Trials over HTTP: begun, listed, changed, judged, ended, deleted."""

from __future__ import annotations

from datetime import timedelta

import pytest

from service.clock import FixedClock
from service.registry.audit import Action
from service.registry.models.log import LogKind
from tests.api.conftest import NOW, problem_of
from tests.api.scenes import put

URL = "/v1/tanks/riffle/trials"
BODY = {"question": "CO2 30 min earlier", "watched": ["co2-at-lights-on", "dli"], "by": "keeper"}


@pytest.fixture
def tank(client):
    put(client)
    client.patch("/v1/tanks/riffle", json={"gas": {"start": "07:30", "end": "17:00"}})


def begin(client, **more):
    answer = client.post(URL, json={**BODY, **more})
    assert answer.status_code == 201, answer.get_data(as_text=True)
    return answer


def test_a_trial_keeps_its_change_from_the_log_and_says_when_too_little_is_known(
    client, context, tank
):
    [entry] = context.registry.log("riffle", kinds=[LogKind.ADJUSTMENT])
    answer = begin(client)
    one = answer.get_json()
    assert answer.headers["Location"] == f"{URL}/{one['id']}"
    assert one["entries"] == [entry.id]
    assert one["change"].startswith("Adjustment, gas times, ")
    assert one["state"] == "running"
    assert (one["begun"], one["look_again"]) == ("2025-06-04T12:00:00Z", "2025-06-18T12:00:00Z")
    judgement = one["judgement"]
    assert (judgement["final"], judgement["confounders"]) == (False, [])
    first = judgement["answers"][0]
    assert first["verdict"] == "too-little"
    assert first["sentence"] == (
        "CO2 at lights-on: too little to say: 0 usable days before the change and 0 usable days "
        "after the change, 5 are needed."
    )
    listed = client.get(URL).get_json()
    assert [each["id"] for each in listed["trials"]] == [one["id"]]
    assert "judgement" not in listed["trials"][0]
    assert "co2-within-target" in [each["name"] for each in listed["watchable"]]
    stored = context.registry.stored_trial("riffle", one["id"]).value
    assert stored.levers == ("gas-times",) or stored.levers[0].startswith("gas-times:")
    assert stored.before is not None and stored.after is not None
    assert stored.before.gas != stored.after.gas
    # a change is tried once
    assert begin(client).get_json()["entries"] == []


def test_what_is_wrong_is_named(client, tank):
    body = problem_of(client.post(URL, json={**BODY, "watched": ["mood"]}), 422, "invalid-input")
    assert body["errors"][0]["pointer"] == "/watched/0"
    assert "co2-at-lights-on" in body["detail"]
    for wrong, pointer in (
        ({"question": ""}, "/question"),
        ({"watched": []}, "/watched"),
        ({"look_again": "2025-06-04T11:00:00Z"}, "/look_again"),
        ({"length": "P200D"}, "/look_again"),
        ({"length": "P7D", "look_again": "2025-06-14T11:00:00Z"}, "/look_again"),
        ({"begun": "2025-06-05T11:00:00Z"}, "/begun"),
        ({"entries": ["nothing"]}, "/entries/0"),
    ):
        body = problem_of(client.post(URL, json={**BODY, **wrong}), 422, "invalid-input")
        assert body["errors"][0]["pointer"] == pointer, wrong
    problem_of(client.post(URL.replace("riffle", "none"), json=BODY), 404, "not-found")
    problem_of(client.get(f"{URL}/none"), 404, "not-found")


def test_it_is_changed_by_those_who_know_its_version(client, tank):
    answer = begin(client)
    at = answer.headers["Location"]
    changed = client.patch(
        at,
        json={"look_again": "2025-06-20T12:00:00Z"},
        headers={"If-Match": answer.headers["ETag"]},
    )
    assert changed.get_json()["look_again"] == "2025-06-20T12:00:00Z"
    of_before = {"If-Match": answer.headers["ETag"]}
    for stale in (
        client.patch(at, json={"question": "?"}, headers=of_before),
        client.post(f"{at}/judge", headers=of_before),
        client.post(f"{at}/end", json={"reason": "?"}, headers=of_before),
        client.delete(at, headers=of_before),
    ):
        problem_of(stale, 412, "precondition-failed")
    assert client.get(at).headers["ETag"] == changed.headers["ETag"]
    ended = client.post(f"{at}/end", json={"reason": "the fish did not like it"}).get_json()
    assert (ended["state"], ended["reason"]) == ("ended", "the fish did not like it")
    assert ended["judgement"]["final"]
    problem_of(client.post(f"{at}/judge"), 409, "conflict")
    problem_of(client.patch(at, json={"question": "again"}), 409, "conflict")
    assert client.delete(at).status_code == 204
    problem_of(client.get(at), 404, "not-found")


def test_the_scheduler_judges_it_on_its_date_and_listeners_are_told(client, context, tank):
    one = begin(client, length="7d").get_json()
    late = FixedClock(NOW + timedelta(days=7, hours=1))
    context = type(context)(context.config, late, context.store, context.registry)
    context.scheduler.evaluate_all()
    stored = context.registry.stored_trial("riffle", one["id"]).value
    assert (stored.state, stored.ended) == ("judged", NOW + timedelta(days=7))
    _, event = [each for each in context.registry.events() if each.type.startswith("trial.")]
    assert (event.type, event.subject) == ("trial.judged", one["id"])
    assert event.data["judgement"]["answers"][0]["verdict"] == "too-little"
    context.scheduler.evaluate_all()
    assert len([each for each in context.registry.events() if each.type == "trial.judged"]) == 1


def test_calendar_and_sheet_and_report_know_it(client, context, tank):
    one = begin(client).get_json()
    calendar = client.get("/v1/tanks/riffle/tasks.ics").get_data(as_text=True)
    assert f"UID:trial-{one['id']}.riffle@littoral" in calendar
    assert "SUMMARY:Invented tank: Look again: CO2 30 min earlier" in calendar
    assert "DTEND:20250618T120000Z" in calendar
    absence = "start=2025-06-04&end=2025-06-10"
    sheet = client.get(f"/v1/handover?{absence}").get_json()["tanks"][0]
    assert sheet["leave_alone"][0] == (
        "what we are trying until 18 Jun, “CO2 30 min earlier”: leave it as it is"
    )
    report = client.get("/v1/handover/return?start=2025-06-01&end=2025-06-04").get_json()
    [told] = report["tanks"][0]["tried"]
    assert told.startswith("CO2 30 min earlier (so far): CO2 at lights-on: too little to say")
    client.post(f"{URL}/{one['id']}/end", json={})
    assert "trial-" not in client.get("/v1/tanks/riffle/tasks.ics").get_data(as_text=True)
    sheet = client.get(f"/v1/handover?{absence}").get_json()["tanks"][0]
    assert not any("trying" in each for each in sheet["leave_alone"])


def test_a_trial_goes_with_its_tank(client, context, tank):
    one = begin(client).get_json()
    records = context.registry.audit(action=Action.TRIAL_BEGUN)
    assert [each.subject for each in records] == [f"tanks/riffle/trials/{one['id']}"]
    assert client.delete("/v1/tanks/riffle").status_code == 204
    assert context.registry.trials() == []
