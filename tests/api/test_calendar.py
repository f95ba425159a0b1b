"""The task calendar over HTTP, read again by the icalendar library."""

from __future__ import annotations

import pytest
from icalendar import Calendar

from service.advice.engine.scheduler import Scheduler
from tests.api.conftest import problem_of
from tests.api.scenes import day_of_readings, put


@pytest.fixture
def warm(client, context):
    tolerated = {"low": 18, "high": 22, "unit": "Cel"}
    put(client, animals=[{"species": "Invented", "temperature": tolerated}])
    day_of_readings(context.store)
    Scheduler(context.registry, context.store, context.clock, 60.0).evaluate_all()
    return client


def test_tasks_are_those_that_stand(warm):
    answer = warm.get("/v1/tanks/riffle/tasks.ics")
    assert answer.status_code == 200
    assert answer.mimetype == "text/calendar"
    assert answer.headers["Cache-Control"] == "private, no-cache"
    events = Calendar.from_ical(answer.data).walk("VEVENT")
    listed = warm.get("/v1/tanks/riffle/recommendations").get_json()["recommendations"]
    told = {str(event["uid"]).partition(".")[0] for event in events}
    assert told
    assert told <= {one["id"] for one in listed}
    todos = Calendar.from_ical(warm.get("/v1/tanks/riffle/tasks.ics?form=todos").data).walk("VTODO")
    assert len(todos) == len(listed)
    for one in listed:
        warm.post(f"/v1/recommendations/{one['id']}/dismiss")
    assert b"VEVENT" not in warm.get("/v1/tanks/riffle/tasks.ics").data


def test_refusals(warm):
    problem_of(warm.get("/v1/tanks/none/tasks.ics"), 404, "not-found")
    body = problem_of(warm.get("/v1/tanks/riffle/tasks.ics?form=x"), 422, "invalid-input")
    assert "events, todos" in body["detail"]
