"""Photographs that come with a report."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from service.registry.models.access import Scope
from service.registry.repositories.log import link_reports
from tests.api.conftest import NOW, problem_of
from tests.api.resources.handover.reporting import KEYS, done, entries, later, linked, task
from tests.api.test_handover import PLANS, away  # noqa: F401 - a fixture used here too
from tests.pictures.samples import FORM, form_of, names, picture, read_here


@pytest.fixture
def _quick(monkeypatch):
    read_here(monkeypatch)


def with_pictures(client, path, given, *pictures, **body):
    report = {"task": given, "key": f"key-{next(KEYS):06}"} | body
    data = form_of(*pictures, report=json.dumps(report))
    return client.post(f"{path}/pictures", data=data, content_type=FORM)


def note_of(client, path):
    return client.get(f"{path}/tasks").get_json()["note"]


@pytest.mark.usefixtures("_quick")
def test_photographs_come_with_a_report_once(away, context):  # noqa: F811
    path = linked(away)
    change = task(away, path, "Change 60 L (50 %)")
    said = {"key": "a-key-of-mine", "note": "a little cloudy"}
    first = with_pictures(away, path, change["task"], picture(), picture("PNG"), **said)
    assert first.status_code == 200, first.text
    again = with_pictures(away, path, change["task"], picture(), picture("PNG"), **said)
    assert again.get_json() == first.get_json() | {"fresh": False}
    (entry, *_) = entries(away)
    assert (entry["by"], len(entry["pictures"])) == ("Ada", 2)
    alone = with_pictures(away, path, note_of(away, path), picture())
    assert alone.get_json()["title"] == "A photograph"
    empty = with_pictures(away, path, note_of(away, path))
    assert "/note is missing" in problem_of(empty, 422, "invalid-input")["detail"]
    wrong = with_pictures(away, path, note_of(away, path), b"<svg/>")
    assert "/picture/0 is 'no picture" in problem_of(wrong, 422, "invalid-input")["detail"]
    assert len(names(Path(context.config.pictures.folder))) == 6


@pytest.mark.usefixtures("_quick")
def test_a_link_shows_the_pictures_that_came_with_it_and_no_others(away, app, context):  # noqa: F811
    path, other = linked(away), linked(away, name="Grace")
    stored = with_pictures(away, path, note_of(away, path), picture()).get_json()
    trim = form_of(picture("PNG"), entry='{"kind": "trim"}')
    own = away.post("/v1/tanks/riffle/pictures", data=trim, content_type=FORM).get_json()
    (one,) = context.registry.pictures("riffle", entries=[stored["entry"]])
    context.registry.create_token("somebody", Scope.READ, NOW)
    for end in ("", "/thumbnail"):
        answer = away.get(f"{path}/pictures/{one.id}{end}")
        assert (answer.status_code, answer.mimetype) == (200, "image/jpeg")
        assert answer.headers["X-Content-Type-Options"] == "nosniff"
        assert answer.headers["Cache-Control"] == "private, no-cache"
        for there, id in ((other, one.id), (path, own["pictures"][0]["id"]), (path, "none")):
            problem_of(away.get(f"{there}/pictures/{id}{end}"), 404, "not-found")
        problem_of(away.get(f"/v1/tanks/riffle/pictures/{one.id}{end}"), 401, "unauthorized")
    assert f'src="{path}/pictures/{one.id}/thumbnail"' in away.get(path).text
    later(app, context, days=15)
    problem_of(away.get(f"{path}/pictures/{one.id}"), 410, "gone")


@pytest.mark.usefixtures("_quick")
def test_a_link_takes_so_many_pictures_in_a_day(away, monkeypatch):  # noqa: F811
    monkeypatch.setattr(link_reports, "MOST_PICTURES", 2)
    path = linked(away)
    note = note_of(away, path)
    assert with_pictures(away, path, note, picture(), picture("PNG")).status_code == 200
    refused = with_pictures(away, path, note, picture("WEBP"), note="and more")
    detail = problem_of(refused, 429, "too-many-requests")["detail"]
    assert detail == "more than 2 pictures in a day with one link; try again tomorrow"
    done(away, path, note, note="without one")
