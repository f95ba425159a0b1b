"""Reports with a sharing link: taken once, under its name, and nothing else; attacked."""

from __future__ import annotations

from dataclasses import replace

import pytest

from service.advice.engine.scheduler import Scheduler
from service.api.context import install
from service.app.app_factory import create_app
from service.pages.audit import WORDS
from service.registry.audit import Action, ActorKind
from service.registry.models.access import Scope
from service.registry.repositories.log import link_reports
from tests.api.conftest import NOW, problem_of
from tests.api.resources.handover.reporting import (
    URL,
    done,
    entries,
    later,
    linked,
    sent,
    task,
    tasks,
)
from tests.api.scenes import day_of_readings, put
from tests.api.test_handover import PLANS, away  # noqa: F401 - a fixture used here too


def test_a_tick_is_a_log_entry_under_the_name_on_the_link(away, context):  # noqa: F811
    path = linked(away, name="Ada")
    change = task(away, path, "Change 60 L (50 %)")
    assert change["number"] == {"label": "Water changed", "unit": "L", "value": 60.0}
    assert change["day"] == "2025-06-08" and change["cautions"]
    stored = done(away, path, change, note="a little cloudy")
    assert (stored["fresh"], stored["title"]) == (True, "Change 60 L (50 %)")
    entry, _ = entries(away)
    assert entry["id"] == stored["entry"]
    assert (entry["by"], entry["note"], entry["kind"]) == ("Ada", "a little cloudy", "water-change")
    assert entry["data"]["fraction"]["value"] == 50
    assert entry["time"] == entry["recorded"] == "2025-06-04T12:00:00Z"
    [record, *_] = context.registry.audit()
    assert (record.action, record.subject) == (Action.LOG_ADDED, f"tanks/riffle/log/{entry['id']}")
    (link,) = context.registry.shares()
    actor = record.actor
    assert (actor.kind, actor.id, actor.name) == (ActorKind.LINK, link.id, "Ada")
    assert actor.address == "127.0.0.1"
    assert f"Ada (link)</b> {WORDS[Action.LOG_ADDED]}" in away.get("/audit").text
    for page in ("/tanks/riffle", "/handover/return?start=2025-06-04&end=2025-06-05"):
        text = away.get(page).text
        assert "a little cloudy" in text and "Ada" in text, page
    [report] = away.get(f"{path}/reports").get_json()["reports"]
    assert report == stored | {"fresh": False}


def test_the_number_of_who_did_it_counts(away):  # noqa: F811
    """In the unit asked or another one; a decimal share of what the sheet said is no error."""
    path = linked(away)
    dose = task(away, path, "Dose trace")
    assert dose["number"] == {"label": "Stock solution", "unit": "mL", "value": 6.0}
    done(away, path, dose, number={"value": 0.0045, "unit": "L"})
    done(away, path, task(away, path, "Change 60 L"), number={"value": 30, "unit": "L"})
    change, given = sorted(entries(away)[:2], key=lambda one: one["kind"], reverse=True)
    assert change["data"]["fraction"]["value"] == pytest.approx(25)
    assert given["data"]["volume"]["value"] == pytest.approx(4.5)


def test_a_number_that_only_who_did_it_knows_is_needed(away):  # noqa: F811
    path = linked(away, length="P40D")
    test = task(away, path, "Test KH")
    assert test["number"]["value"] is None
    for body, pointer, said in (
        ({}, "/number", "is missing"),
        ({"number": {"value": 400, "unit": "dKH"}}, "/number/value", "400"),
        ({"number": {"value": 4, "unit": "L"}}, "/number/unit", "'L'"),
        ({"number": {"unit": "dKH"}}, "/number/value", "missing"),
        ({"number": 4}, "/number", "4"),
    ):
        answer = sent(away, path, test, **body)
        assert answer.status_code == 422, body
        (fault,) = answer.get_json()["errors"]
        assert fault["pointer"] == pointer and said in fault["detail"], body
    done(away, path, test, number={"value": 5, "unit": "dKH"})
    entry, *_ = entries(away)
    assert entry["data"]["kh"]["display"]["value"] == pytest.approx(5)
    assert entry["kind"] == "kh-test"
    look = task(away, path, "Look at the tank")
    (fault,) = sent(away, path, look, number={"value": 1, "unit": "L"}).get_json()["errors"]
    assert "without a number" in fault["detail"]
    full = sent(away, path, task(away, path, "Change"), number={"value": 500, "unit": "L"})
    (fault,) = full.get_json()["errors"]
    assert fault["pointer"] == "/number" and "up to the net volume" in fault["detail"]


def test_a_report_sent_twice_is_one_entry(away, app, context):  # noqa: F811
    """Also hours later, with another number, and after the tank keeper deleted the entry."""
    path = linked(away)
    look = task(away, path, "Look at the tank")
    first = done(away, path, look, key="kept-on-a-phone")
    later(app, context, hours=5)
    again = done(away, path, look, key="kept-on-a-phone", note="other words")
    assert again == first | {"fresh": False}
    assert len(entries(away)) == 2
    assert len(context.registry.audit(action=Action.LOG_ADDED)) == 2  # the fixture's is the other
    assert away.delete(f"/v1/tanks/riffle/log/{first['entry']}").status_code == 204
    replayed = done(away, path, look, key="kept-on-a-phone")
    assert replayed["entry"] is None and len(entries(away)) == 1
    done(away, path, look, key="another-tick")  # the task is free again
    assert len(entries(away)) == 2


def test_two_phones_tick_a_task_once(away):  # noqa: F811
    first, second = linked(away), linked(away, name="Ben")
    done(away, first, task(away, first, "Look at the tank"))
    for path in (first, second):
        today = [one for one in tasks(away, path) if one["day"] == "2025-06-04"]
        assert [one["reported"] for one in today] == ["2025-06-04T12:00:00Z"]
        answer = sent(away, path, today[0])
        said = problem_of(answer, 409, "conflict")["detail"]
        assert said == "somebody has ticked this off before: Look at the tank"
        assert "Ada" not in said
    assert len(entries(away)) == 2
    assert away.get(f"{second}/reports").get_json()["reports"] == []


def test_it_was_done_so_long_ago_by_whatever_clock(away, app, context):  # noqa: F811
    path = linked(away)
    look = task(away, path, "Look at the tank")
    later(app, context, days=2)
    stored = done(away, path, look, age="PT30H")
    assert stored["time"] == "2025-06-05T06:00:00Z"
    entry, *_ = entries(away)
    assert (entry["time"], entry["recorded"]) == ("2025-06-05T06:00:00Z", "2025-06-06T12:00:00Z")
    (fault,) = sent(away, path, task(away, path, "Look"), age="P3D").get_json()["errors"]
    assert fault["pointer"] == "/age" and "the age of the link" in fault["detail"]
    assert sent(away, path, look, age="-PT1H").status_code == 422


def test_a_recommendation_is_done_with_it(client, context):
    put(client)
    day_of_readings(context.store, celsius=29.5, ph=6.2)
    Scheduler(context.registry, context.store, context.clock, 60.0).evaluate_all()
    path = linked(client)
    offered = task(client, path, "CO2 is above")
    assert offered["day"] is None and offered["number"] is None and offered["cautions"]
    key = "tick-of-advice"
    stored = done(client, path, offered, key=key, note="done at once")
    ones = client.get("/v1/tanks/riffle/recommendations?state=done").get_json()["recommendations"]
    assert [one["title"] for one in ones] == [offered["title"]]
    (entry,) = entries(client)
    assert (entry["id"], entry["by"], entry["note"]) == (stored["entry"], "Ada", "done at once")
    records = context.registry.audit()[:2]
    assert {one.action for one in records} == {"log.added", "recommendation.done"}
    assert {one.actor.kind for one in records} == {ActorKind.LINK}
    assert done(client, path, offered, key=key)["fresh"] is False
    assert sent(client, path, offered).status_code == 409
    client.post(f"/v1/recommendations/{ones[0]['id']}/open")  # the tank keeper takes it back
    assert entries(client) == []
    done(client, path, offered)
    assert len(entries(client)) == 1


def test_advice_that_cleared_meanwhile_is_logged_all_the_same(client, context):
    put(client)
    day_of_readings(context.store, celsius=29.5, ph=6.2)
    scheduler = Scheduler(context.registry, context.store, context.clock, 60.0)
    scheduler.evaluate_all()
    path = linked(client)
    offered = task(client, path, "Water is too warm")
    for one in client.get("/v1/tanks/riffle/recommendations").get_json()["recommendations"]:
        client.post(f"/v1/recommendations/{one['id']}/dismiss")
    done(client, path, offered)
    assert len(entries(client)) == 1
    found = client.get("/v1/tanks/riffle/recommendations?state=any").get_json()["recommendations"]
    assert {one["state"] for one in found} == {"dismissed"}


def test_a_note_alone(away):  # noqa: F811
    path = linked(away)
    note = away.get(f"{path}/tasks").get_json()["note"]
    for words in ("One snail sits on the rim.\nIt looks well.", "It is back in the water."):
        done(away, path, note, note=words)
    newest, before, _ = entries(away)
    assert (newest["kind"], newest["by"], newest["data"]) == ("observation", "Ada", {})
    assert {newest["note"], before["note"]} > {"It is back in the water."}
    titles = [one["title"] for one in away.get(f"{path}/reports").get_json()["reports"]]
    assert "One snail sits on the rim. It looks well." in titles
    done(away, path, note, note="A" * 80)
    done(away, path, note, note="B" * 81)
    titles = [one["title"] for one in away.get(f"{path}/reports").get_json()["reports"]]
    assert {"A" * 80, "B" * 79 + "…"} <= set(titles), "of 80 letters at most"
    for empty in ("", "  \n "):
        (fault,) = sent(away, path, note, note=empty).get_json()["errors"]
        assert fault["pointer"] == "/note"
    assert sent(away, path, note, note="x" * 20_000).status_code == 422


def test_a_link_that_only_shows_takes_nothing(away):  # noqa: F811
    reporting = linked(away)
    look = task(away, reporting, "Look at the tank")
    path = linked(away, may_report=False)
    for answer in (
        away.get(f"{path}/tasks"),
        away.get(f"{path}/reports"),
        sent(away, path, look),
    ):
        assert "takes no reports" in problem_of(answer, 403, "forbidden")["detail"]
    assert len(entries(away)) == 1


def test_ticks_of_other_links_tanks_and_kinds_are_refused(away, context):  # noqa: F811
    """Only what this very link's sheet showed can be ticked, however it is changed on its way."""
    put(away, "beck", **PLANS)
    mine, other = linked(away), linked(away, tank="beck", name="Ben")
    foreign = task(away, other, "Look at the tank")["task"]
    own = task(away, mine, "Look at the tank")["task"]
    cookie = "eyJsb2dpbiI6IngifQ.aD8.x"
    body, _, signature = own.rpartition(".")
    for forged in (
        foreign,
        f"{foreign.rpartition('.')[0]}.{signature}",
        f"{body}A.{signature}",
        f"{body}.{signature[:-2]}AA",
        cookie,
        "look",
        "recommendation/x",
        "\u0000",
    ):
        answer = sent(away, mine, forged)
        (fault,) = problem_of(answer, 422, "invalid-input")["errors"]
        assert fault["pointer"] == "/task"
    for more in ({"kind": "stocking"}, {"data": {}}, {"by": "the owner"}, {"time": "2025-06-04"}):
        (fault,) = sent(away, mine, own, **more).get_json()["errors"]
        assert "is not known" in fault["detail"]
    for key in ("", "short", "x" * 65, None, 5):
        assert sent(away, mine, own, key=key).status_code == 422
    assert entries(away, "beck") == [] and len(entries(away)) == 1
    context.registry.rotate_signing_key(NOW)
    (fault,) = sent(away, mine, own).get_json()["errors"]
    assert "load the sheet anew" in fault["detail"]


def test_nothing_is_taken_after_the_end(away, app, context):  # noqa: F811
    path, ended = linked(away), linked(away, name="Ben")
    look = task(away, path, "Look at the tank")
    of_ended = task(away, ended, "Dose trace")
    before = done(away, path, look, key="sent-in-time")
    link = next(one for one in context.registry.shares() if one.name == "Ben")
    away.delete(f"{URL}/{link.id}")
    said = problem_of(sent(away, ended, of_ended), 410, "gone")["detail"]
    assert "was revoked" in said
    later(app, context, days=14)
    for answer in (
        sent(away, path, look),
        sent(away, path, look, key="sent-in-time"),
        away.get(f"{path}/tasks"),
        away.get(f"{path}/reports"),
    ):
        assert "expired" in problem_of(answer, 410, "gone")["detail"]
    assert before["fresh"] and len(entries(away)) == 2


def test_a_link_that_ends_while_a_report_is_taken(away, context, monkeypatch):  # noqa: F811
    """Between the check at the door and the transaction: that looks again."""
    path = linked(away)
    look = task(away, path, "Look at the tank")
    (link,) = context.registry.shares()
    registry = context.registry
    before = registry.link_report

    def revoked_meanwhile(*args):
        registry.revoke_share(link.id, NOW)
        return before(*args)

    monkeypatch.setattr(registry, "link_report", revoked_meanwhile)
    assert "was revoked" in problem_of(sent(away, path, look), 410, "gone")["detail"]
    assert len(entries(away)) == 1


def test_no_page_of_another_site_reports(away):  # noqa: F811
    path = linked(away)
    look = task(away, path, "Look at the tank")
    for headers in (
        {"Origin": "https://attacker.example"},
        {"Origin": "null"},
        {"Sec-Fetch-Site": "cross-site"},
    ):
        problem_of(sent(away, path, look, headers=headers), 403, "forbidden")
    for kind in ("text/plain", "application/x-www-form-urlencoded"):  # what a form can send
        answer = away.post(f"{path}/reports", data="{}", content_type=kind)
        problem_of(answer, 415, "unsupported-media-type")
    assert len(entries(away)) == 1
    own = {"Origin": "http://localhost", "Sec-Fetch-Site": "same-origin"}
    assert sent(away, path, look, headers=own).status_code == 200


def test_a_flood_has_an_end(away, app, context, monkeypatch):  # noqa: F811
    assert link_reports.MOST == 200
    monkeypatch.setattr(link_reports, "MOST", 4)
    path = linked(away)
    note = away.get(f"{path}/tasks").get_json()["note"]
    for number in range(4):
        done(away, path, note, note=f"{number}")
    answer = sent(away, path, note, note="one more")
    problem_of(answer, 429, "too-many-requests")
    assert answer.headers["Retry-After"]
    later(app, context, days=1, seconds=1)
    done(away, path, note, note="another day")
    slow = replace(context.config, http=replace(context.config.http, writes_per_minute=2))
    install(app, replace(context, config=slow))
    statuses = [sent(away, path, note, note="x").status_code for _ in range(3)]
    assert 429 in statuses


def test_the_link_writes_nothing_else(away, context):  # noqa: F811
    """Tried at every address that writes, as bearer, as password, and beside the link's own."""
    app = create_app(context)
    client = app.test_client()
    path = linked(client)
    secret = path.rpartition("/")[2]
    context.registry.create_token("keeper", Scope.ADMIN, NOW)
    install(app, replace(context, config=replace(context.config, http=replace(
        context.config.http, refusals_per_minute=100_000))))  # fmt: skip
    before = context.registry.audit()[0].sequence
    tried = 0
    for rule in app.url_map.iter_rules():
        open_to_all = rule.endpoint in ("link_reports.LinkReportsView", "pages.log_in")
        if open_to_all or rule.rule.startswith("/mail/"):
            continue
        address = rule.rule.replace("<secret>", secret)
        for name in rule.arguments:
            address = address.replace(f"<{name}>", "riffle" if name == "tank" else "x")
        for method in set(rule.methods or ()) - {"GET", "HEAD", "OPTIONS"}:
            for headers, auth in (
                ({"Authorization": f"Bearer {secret}"}, None),
                ({}, ("x", secret)),
            ):
                answer = client.open(address, method=method, headers=headers, auth=auth, json={})
                tried += 1
                assert answer.status_code in (303, 400, 401, 403, 405, 415, 422), (method, address)
    assert tried > 60
    written = [one for one in context.registry.audit() if one.sequence > before]
    assert {one.action for one in written} <= {Action.LOGIN_REFUSED}
    for method in ("put", "patch", "delete"):
        assert getattr(client, method)(f"{path}/reports").status_code in (401, 405)
