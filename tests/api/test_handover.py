"""The handover sheet over HTTP: JSON, the page, the calendar, and what is refused."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest
from icalendar import Calendar

from service.advice.engine.scheduler import Scheduler
from service.api.context import install
from service.app.app_factory import create_app
from service.clock import FixedClock
from service.registry.models.access import Scope
from tests.api.conftest import NOW, problem_of
from tests.api.scenes import day_of_readings, put

URL = "/v1/handover"
ICS = {"Accept": "text/calendar"}
AWAY = {
    "id": "june",
    "start": "2025-06-05T06:00:00Z",
    "end": "2025-06-15T18:00:00Z",
    "covers": "the colleague",
    "note": "The key hangs in the shed.\nFeed little.",
    "contact": "Invented hotel, desk",
}
PLANS = {
    "net_volume": {"value": 120, "unit": "L"},
    "time_zone": "Europe/Vienna",
    "water_change": {"every": "P7D", "fraction": {"value": 50, "unit": "%"}},
    "doses": [{"name": "trace", "volume_per_100_l": {"value": 5, "unit": "mL"}}],
    "notes": "The left door sticks.",
}


@pytest.fixture
def away(client):
    """A tank with a change logged three days ago, and an absence planned."""
    put(client, **PLANS)
    changed(client, "2025-06-01T16:00:00Z")
    assert client.put("/v1/absences", json={"absences": [AWAY]}).status_code == 200
    return client


def changed(client, time):
    entry = {"kind": "water-change", "time": time, "data": {"fraction": {"value": 50, "unit": "%"}}}
    assert client.post("/v1/tanks/riffle/log", json=entry).status_code == 201


def tasks_of(client, query=""):
    """The tasks of the only tank of a sheet."""
    answer = client.get(URL + query)
    assert answer.status_code == 200, answer.get_data(as_text=True)
    (page,) = answer.get_json()["tanks"]
    return page["tasks"]


def test_the_whole_sheet_of_the_next_absence(away, context):
    day_of_readings(context.store)
    answer = away.get(URL)
    assert answer.mimetype == "application/json"
    assert "Accept" in answer.headers["Vary"]
    sheet = answer.get_json()
    assert sheet["absence"] == AWAY
    assert sheet["prepared"] == "2025-06-04T12:00:00Z"
    (page,) = sheet["tanks"]
    assert list(page) == [
        "tank", "name", "time_zone", "state", "open", "tasks", "waiting", "emergencies",
        "leave_alone", "cautions", "contact", "notes",
    ]  # fmt: skip
    assert (page["tank"], page["time_zone"]) == ("riffle", "Europe/Vienna")
    assert page["notes"] == "The left door sticks."
    assert len(page["state"]) == 3
    assert page["state"][0].startswith("Water: 25.0 °C (range 18 to 28). CO2: ")
    assert page["state"][2] == "20 Paracheirodon innesi. Water changed 3 days ago (50 %)."
    # Neon tetras bear 20 to 26 °C by the species table: that is what the limit says.
    seen = page["emergencies"]
    hot = next(one for one in seen if one["title"].startswith("temperature above"))
    assert hot["limit"]["unit"] == "Cel"
    assert f"{hot['limit']['value']:g} °C" in hot["title"]
    assert hot["action"].startswith("Unplug the heater. Open the lid")
    assert seen[0]["limit"] is None
    assert any("needle valve" in text for text in page["leave_alone"])
    assert any("no safety device" in text for text in page["cautions"])
    assert any("licensed" in text for text in page["cautions"])


def test_every_day_has_its_look_and_changes_their_doses_with_amounts(away):
    """Changed on 1 June every 7 days: due on 8 and 15 June at 18:00 in Vienna (UTC+2)."""
    tasks = tasks_of(away)
    looks = [one["day"] for one in tasks if one["code"] == "look"]
    assert looks == [f"2025-06-{day:02}" for day in range(5, 16)]
    changes = [one for one in tasks if one["code"] == "water-change-due"]
    assert [one["due"] for one in changes] == ["2025-06-08T16:00:00Z", "2025-06-15T16:00:00Z"]
    assert changes[0]["title"] == "Change 60 L (50 %)"
    assert changes[0]["amounts"][0] == {"name": "water", "value": 60, "unit": "L"}
    assert any("temperature" in text for text in changes[0]["cautions"])
    doses = [one for one in tasks if one["code"] == "dose-due"]
    assert [one["day"] for one in doses] == ["2025-06-08", "2025-06-15"]
    assert doses[0]["title"] == "Dose trace: 6 ml"
    assert doses[0]["amounts"] == [{"name": "trace", "value": 6, "unit": "mL"}]
    assert [one["due"] for one in tasks] == sorted(one["due"] for one in tasks)


def test_spans(away):
    """Days are those of Vienna, two hours before UTC in June; the last one is included."""
    for query, start, end in (
        ("start=2025-06-05&end=2025-06-07", "2025-06-04T22:00:00Z", "2025-06-07T22:00:00Z"),
        (
            "start=2025-06-05T08:30:00Z&end=2025-06-06",
            "2025-06-05T08:30:00Z",
            "2025-06-06T22:00:00Z",
        ),
        ("start=2025-06-05T09:00:00+02:00", "2025-06-05T07:00:00Z", "2025-06-12T07:00:00Z"),
        ("start=2025-06-05T09:00:00%2B02:00", "2025-06-05T07:00:00Z", "2025-06-12T07:00:00Z"),
        ("end=2025-06-06", "2025-06-04T12:00:00Z", "2025-06-06T22:00:00Z"),
        ("absence=june", AWAY["start"], AWAY["end"]),
        ("tank=riffle", AWAY["start"], AWAY["end"]),
    ):
        absence = away.get(f"{URL}?{query}").get_json()["absence"]
        assert (absence["start"], absence["end"]) == (start, end), query
        assert absence["id"] == ("june" if start == AWAY["start"] else None)


def test_one_tank_of_several_and_absences_of_some(away):
    put(away, "beck")
    assert [one["tank"] for one in away.get(URL).get_json()["tanks"]] == ["beck", "riffle"]
    assert [one["tank"] for one in away.get(f"{URL}?tank=beck").get_json()["tanks"]] == ["beck"]
    absences = [AWAY | {"id": "a", "tanks": ["beck"]}, AWAY | {"id": "b", "tanks": ["riffle"]}]
    away.put("/v1/absences", json={"absences": absences})
    sheet = away.get(f"{URL}?tank=riffle").get_json()
    assert (sheet["absence"]["id"], [one["tank"] for one in sheet["tanks"]]) == ("b", ["riffle"])
    wrong = away.get(f"{URL}?absence=a&tank=riffle")
    assert "about: beck" in problem_of(wrong, 422, "invalid-input")["detail"]


def test_without_absence_and_span_it_says_what_to_give(client):
    put(client)
    body = problem_of(client.get(URL), 422, "invalid-input")
    assert body["errors"][0]["parameter"] == "start"
    assert "start=2026-05-01&end=2026-05-14" in body["detail"] and "/v1/absences" in body["detail"]


def test_refusals(away):
    for query, status, said in (
        ("start=soon", 422, "start is 'soon'; allowed: a day"),
        ("start=2025-06-05&end=2025-06-04", 422, "end is '2025-06-04'; allowed: after the start"),
        ("start=2025-06-05&end=2025-09-30", 422, "within 92 days"),
        ("start=9999-12-31", 422, "allowed: a day"),
        ("end=2025-06-01", 422, "allowed: after the start"),
        ("absence=june&end=2025-06-07", 422, "beside absence 'june'"),
        ("absence=july", 404, "the id of an absence"),
        ("tank=none", 404, "'none'"),
        ("form=pdf", 422, "events, todos"),
        ("days=3", 422, "allowed: absence, end, form, start, tank"),
    ):
        slug = {422: "invalid-input", 404: "not-found"}[status]
        for path in (URL, f"{URL}.ics"):
            assert said in problem_of(away.get(f"{path}?{query}"), status, slug)["detail"]


def test_form_goes_by_accept(away):
    for accept, mimetype in (
        (None, "application/json"),
        ("*/*", "application/json"),
        ("application/*", "application/json"),
        ("text/calendar", "text/calendar"),
        ("application/json;q=0.5, text/calendar", "text/calendar"),
    ):
        headers = {"Accept": accept} if accept else {}
        assert away.get(URL, headers=headers).mimetype == mimetype, accept


def test_other_forms_are_refused(away):
    answer = away.get(URL, headers={"Accept": "application/pdf"})
    detail = problem_of(answer, 406, "not-acceptable")["detail"]
    assert detail.endswith("'application/pdf'; allowed: application/json, text/html, text/calendar")


def read_twice(answer):
    """The calendar, after a second, strict parser has read it too."""
    assert answer.status_code == 200
    from ical.calendar_stream import IcsCalendarStream  # not by every process that collects tests

    IcsCalendarStream.calendar_from_ics(answer.get_data(as_text=True))
    return Calendar.from_ical(answer.data)


def test_the_calendar_has_every_task_at_its_time_and_rings(away):
    tasks = tasks_of(away)
    calendar = read_twice(away.get(URL, headers=ICS))
    assert calendar["name"] == "Handover Invented tank"
    events = calendar.walk("VEVENT")
    assert len(events) == len({str(one["uid"]) for one in events}) == len(tasks)
    due = {one.decoded("dtend") for one in events}
    assert due == {datetime.fromisoformat(one["due"]) for one in tasks}
    change = next(one for one in events if str(one["uid"]).startswith("water-change-due"))
    assert change["uid"] == "water-change-due-2025-06-08.riffle@littoral"
    assert change["summary"] == "Invented tank: Change 60 L (50 %)"
    assert "Before you start:" in change["description"]
    assert change.decoded("dtstart") == datetime(2025, 6, 8, 15, 30, tzinfo=UTC)
    for event in events:
        (alarm,) = event.walk("VALARM")
        assert alarm.decoded("trigger") == timedelta(0)
    plain = away.get(f"{URL}.ics")
    assert plain.data == away.get(URL, headers=ICS).data
    assert plain.headers["Content-Type"] == "text/calendar; charset=utf-8"
    assert plain.headers["Content-Disposition"] == 'inline; filename="handover.ics"'


def test_to_dos_start_half_an_hour_before_they_are_due(away):
    todos = read_twice(away.get(f"{URL}.ics?form=todos")).walk("VTODO")
    assert len(todos) == len(tasks_of(away))
    for todo in todos:
        assert todo.decoded("due") - todo.decoded("dtstart") == timedelta(minutes=30)
        (alarm,) = todo.walk("VALARM")
        assert alarm.decoded("trigger") == todo.decoded("dtstart")


def test_uids_stay_and_sequences_rise_while_the_days_pass(away, app, context):
    """What is asked for on one day keeps its UID; what is over is gone; a change moves the rest."""
    seen = []
    for days in (0, 3, 6):
        install(app, replace(context, clock=FixedClock(NOW + timedelta(days=days))))
        if days == 6:
            changed(away, "2025-06-09T17:00:00Z")
        events = read_twice(away.get(f"{URL}.ics")).walk("VEVENT")
        seen.append({str(one["uid"]): one["sequence"] for one in events})
    first, second, third = seen
    assert set(second) < set(first)
    assert all(second[uid] > first[uid] for uid in second)
    assert "water-change-due-2025-06-15.riffle@littoral" in second
    assert "water-change-due-2025-06-15.riffle@littoral" not in third
    assert {uid for uid in third if uid.startswith("look")} < set(second)


def test_days_of_the_calendar_are_each_tanks_own(away):
    put(away, "beck", **PLANS | {"time_zone": "Pacific/Auckland"})
    events = read_twice(away.get(f"{URL}.ics")).walk("VEVENT")
    looks = [one for one in events if str(one["uid"]).startswith("look-2025-06-06")]
    at = {str(one["uid"]).split(".")[1]: one.decoded("dtend") for one in looks}
    assert at == {
        "riffle@littoral": datetime(2025, 6, 6, 7, tzinfo=UTC),
        "beck@littoral": datetime(2025, 6, 5, 21, tzinfo=UTC),
    }


def days_of(client, query=""):
    """By tank: the days on which its sheet asks for the daily check."""
    tanks = client.get(f"{URL}{query}").get_json()["tanks"]
    return {
        page["tank"]: [one["day"][-5:] for one in page["tasks"] if one["code"] == "look"]
        for page in tanks
    }


def test_whole_days_are_each_tanks_own_days(away):
    """10 hours apart: midnight to midnight in Vienna is no day in Auckland."""
    put(away, "beck", **PLANS | {"time_zone": "Pacific/Auckland"})
    asked = ["06-06", "06-07", "06-08"]
    query = "?start=2025-06-06&end=2025-06-08"
    assert days_of(away, query) == {"riffle": asked, "beck": asked}
    assert days_of(away, f"{query}&tank=beck") == {"beck": asked}
    # Stored: midnight to midnight in Vienna, 5 Jun 22:00 UTC, or in Auckland, 5 Jun 12:00 UTC
    for hour in (22, 12):
        moments = {"start": f"2025-06-05T{hour}:00:00Z", "end": f"2025-06-08T{hour}:00:00Z"}
        away.put("/v1/absences", json={"absences": [AWAY | moments]})
        assert days_of(away) == {"riffle": asked, "beck": asked}
        assert days_of(away, "?tank=beck") == {"beck": asked}
    # With a time of day it is one stretch of time: in Auckland from 6 Jun 18:00 to 8 Jun 18:00
    moments = {"start": "2025-06-06T06:00:00Z", "end": "2025-06-08T06:00:00Z"}
    away.put("/v1/absences", json={"absences": [AWAY | moments]})
    assert days_of(away) == {"riffle": ["06-06", "06-07"], "beck": ["06-06", "06-07", "06-08"]}


def test_entries_of_the_calendar_link_to_the_tanks_page(away, app, context):
    put(away, "beck")
    for public_url, base in (
        (None, "http://localhost"),
        ("https://tanks.example.org", "https://tanks.example.org"),
    ):
        http = replace(context.config.http, public_url=public_url)
        install(app, replace(context, config=replace(context.config, http=http)))
        for calendar in (f"{URL}.ics", "/v1/tanks/riffle/tasks.ics"):
            for event in read_twice(away.get(calendar)).walk("VEVENT"):
                tank = str(event["uid"]).rpartition(".")[2].removesuffix("@littoral")
                assert event["url"] == f"{base}/tanks/{tank}"


def without_tokens(page):
    """A page but for what protects its forms, in which the second stands when it was made."""
    return re.sub(r'(?<=name="csrf_token" value=")[^"]+', "", page)


def test_html_is_the_page_itself(away, context):
    """The API's HTML and the page at /handover are one and the same."""
    browser = create_app(context).test_client()
    page = browser.get("/handover")
    sheet = browser.get(URL, headers={"Accept": "text/html,application/xhtml+xml,*/*;q=0.8"})
    assert (sheet.status_code, sheet.mimetype) == (200, "text/html")
    assert "default-src 'none'" in sheet.headers["Content-Security-Policy"]
    text = sheet.get_data(as_text=True)
    assert "The key hangs in the shed." in text and "Change 60 L (50 %)" in text
    assert 'action="/handover"' in text and "/v1/handover.ics?absence=june" in text
    current = ' aria-current="page"'
    assert without_tokens(text) == without_tokens(page.get_data(as_text=True).replace(current, ""))
    accept = {"Accept": "text/html"}
    report = browser.get(f"{URL}/return?start=2025-06-01", headers=accept)
    said = report.get_data(as_text=True)
    again = browser.get("/handover/return?start=2025-06-01").get_data(as_text=True)
    assert without_tokens(said) == without_tokens(again)
    assert "Water change, 50 %" in said


def test_a_token_is_needed_and_basic_will_do(away, context):
    _, secret = context.registry.create_token("phone", Scope.READ, NOW)
    problem_of(away.get(URL), 401, "unauthorized")
    assert away.get(URL, headers={"Authorization": f"Bearer {secret}"}).status_code == 200
    assert away.get(f"{URL}.ics", auth=("any", secret)).status_code == 200


def test_what_came_of_an_absence(away, context):
    """Away for the last two days: one tank too warm since yesterday, one change logged."""
    url = f"{URL}/return"
    told = problem_of(away.get(url), 422, "invalid-input")["detail"]
    assert "none has begun" in told and "/v1/absences" in told
    past = AWAY | {"id": "past", "start": "2025-06-01T06:00:00Z", "end": "2025-06-04T06:00:00Z"}
    away.put("/v1/absences", json={"absences": [past, AWAY]})
    neons = {"species": "Paracheirodon innesi", "count": 20,
             "temperature": {"low": 20, "high": 26, "unit": "Cel"}}  # fmt: skip
    patched = away.patch("/v1/tanks/riffle", json={"animals": [neons]})
    assert patched.status_code == 200
    day_of_readings(context.store, celsius=27.5)
    Scheduler(context.registry, context.store, context.clock, 60.0).evaluate_all()
    report = away.get(url).get_json()
    assert report["absence"] == past
    (tank,) = report["tanks"]
    assert list(tank) == [
        "tank",
        "name",
        "time_zone",
        "happened",
        "done",
        "open",
        "changed",
        "pictures",
        "tried",
    ]
    # Warm from the first reading at 12:01 on: its five-minute mean lies at 12:02:30.
    assert tank["happened"] == [
        {
            "time": "2025-06-03T12:02:30Z",
            "text": "temperature above 26 °C for 18 h, up to 27.5 °C",
        }
    ]
    assert tank["done"] == [{"time": "2025-06-01T16:00:00Z", "text": "Water change, 50 %"}]
    assert "temperature-out" in [one["code"] for one in tank["open"]]
    assert tank["changed"] == []
    now = away.get(f"{url}?start=2025-06-03&tank=riffle").get_json()["tanks"][0]
    assert now["happened"][0]["text"].startswith("temperature above 26 °C for 24 h")
    assert now["done"] == []


def test_what_came_of_it_is_refused(away):
    for query, status, slug, said in (
        ("?absence=june", 422, "invalid-input", "begins at 2025-06-05 06:00 UTC"),
        ("?start=2025-06-07", 422, "invalid-input", "allowed: an absence that has begun"),
        ("?absence=none", 404, "not-found", "the id of an absence"),
        ("?start=2025-06-01&tank=none", 404, "not-found", "'none'"),
    ):
        assert said in problem_of(away.get(f"{URL}/return{query}"), status, slug)["detail"]
    answer = away.get(f"{URL}/return?start=2025-06-01", headers=ICS)
    detail = problem_of(answer, 406, "not-acceptable")["detail"]
    assert detail.endswith("allowed: application/json, text/html")
