"""Sharing links over HTTP: made, listed, revoked; what they show, and that nothing else opens."""

from __future__ import annotations

import json
import logging
from dataclasses import replace
from datetime import timedelta

from service.api.context import install
from service.app.app_factory import create_app
from service.clock import FixedClock
from service.errors import StoreUnavailableError
from service.registry.models.access import Scope
from tests.api.conftest import NOW, problem_of
from tests.api.scenes import put
from tests.api.test_handover import AWAY, away  # noqa: F401 - fixtures used here too

URL = "/v1/shares"
JSON = {"Accept": "application/json"}
HTML = {"Accept": "text/html,*/*;q=0.8"}


def make(client, headers=None, **body):
    answer = client.post(URL, json={"tank": "riffle"} | body, headers=headers or {})
    assert answer.status_code == 201, answer.get_data(as_text=True)
    return answer.get_json()


def at(app, context, **later):
    install(app, replace(context, clock=FixedClock(NOW + timedelta(**later))))


def test_golden_shape(away):  # noqa: F811
    made = make(away, length="P4D", name="the neighbour")
    secret = made.pop("secret")
    assert made.pop("url") == f"http://localhost/shared/{secret}"
    assert made == {
        "id": secret.split("_")[1],
        "tank": "riffle",
        "state": "valid",
        "start": "2025-06-04T12:00:00Z",
        "end": "2025-06-08T12:00:00Z",
        "created": "2025-06-04T12:00:00Z",
        "expires": "2025-06-08T12:00:00Z",
        "revoked": None,
        "last_used": None,
        "name": "the neighbour",
        "may_report": False,
    }
    listed = away.get(URL)
    assert listed.get_json() == {"shares": [made], "next": None}
    assert secret not in listed.get_data(as_text=True)
    assert away.get(f"{URL}?tank=beck").get_json()["shares"] == []


def test_links_begin_with_the_address_that_people_reach(away, app, context):  # noqa: F811
    for public in ("https://tanks.example.org", "https://tanks.example.org:8443/"):
        http = replace(context.config.http, public_url=public)
        install(app, replace(context, config=replace(context.config, http=http)))
        made = make(away, length="P1D")
        assert made["url"] == f"{public.rstrip('/')}/shared/{made['secret']}"


def test_the_secret_is_kept_as_a_hash_only(away, context, tmp_path):  # noqa: F811
    secret = make(away, length="P4D")["secret"]
    context.registry.share_of(secret, NOW)
    random_part = secret.split("_", 2)[2].encode()
    files = list(tmp_path.glob("registry.db*"))
    assert files
    assert not any(random_part in file.read_bytes() for file in files)


def test_span_and_end_of_a_link(away):  # noqa: F811
    """Without a span it is that of the absence planned; a link ends with its sheet."""
    whole = (AWAY["start"], AWAY["end"])
    later, morning, midnight = (
        "2025-06-20T00:00:00Z",
        "2025-06-05T06:00:00Z",
        "2025-06-05T22:00:00Z",
    )
    for body, start, end, expires in (
        ({}, *whole, AWAY["end"]),
        ({"absence": "june"}, *whole, AWAY["end"]),
        ({"absence": "june", "expires": later}, *whole, later),
        ({"start": morning, "length": "16h"}, morning, midnight, midnight),
        ({"end": "2025-06-06T00:00:00+02:00"}, "2025-06-04T12:00:00Z", midnight, midnight),
    ):
        made = make(away, **body)
        assert (made["start"], made["end"], made["expires"]) == (start, end, expires), body


def test_refusals(away):  # noqa: F811
    put(away, "beck")
    away.put("/v1/absences", json={"absences": [AWAY | {"tanks": ["beck"]}]})
    for body, pointer, said in (
        ({}, "/end", "no absence of this tank is planned"),
        ({"tank": "none", "length": "P1D"}, "/tank", "the id of a registered tank"),
        ({"absence": "none"}, "/absence", "the id of an absence"),
        ({"absence": "june"}, "/absence", "an absence that is about riffle"),
        ({"absence": "june", "length": "P1D"}, "/absence", "this or length"),
        ({"end": "2025-06-05T00:00:00Z", "length": "P1D"}, "/end", "this or length"),
        ({"end": "2025-06-04T12:00:00Z"}, "/end", "after the start"),
        ({"length": "P93D"}, "/length", "within 92 days"),
        ({"length": "P1D", "expires": "2025-06-04T11:00:00Z"}, "/expires", "within 366 days"),
        ({"length": "P1D", "expires": "2027-01-01T00:00:00Z"}, "/expires", "within 366 days"),
        ({"length": "P1D", "name": "x" * 300}, "/name", "characters"),
        ({"length": "P1D", "may_report": True}, "/name", "logged under this name"),
        ({"length": "P1D", "may_report": True, "name": " "}, "/name", "logged under this name"),
        ({"length": "P1D", "may_report": "yes"}, "/may_report", "true or false"),
        ({"length": "P1D", "scope": "admin"}, "/scope", "is not known"),
    ):
        answer = away.post(URL, json={"tank": "riffle"} | body)
        (fault,) = problem_of(answer, 422, "invalid-input")["errors"]
        assert fault["pointer"] == pointer, body
        assert said in fault["detail"]
    assert away.get(URL).get_json()["shares"] == []
    problem_of(away.delete(f"{URL}/none"), 404, "not-found")


def test_making_and_revoking_needs_write(away, context):  # noqa: F811
    client = create_app(context).test_client()
    bearer = {
        scope: {"Authorization": f"Bearer {context.registry.create_token(scope, scope, NOW)[1]}"}
        for scope in Scope
    }
    body = {"tank": "riffle", "length": "P1D"}
    problem_of(client.post(URL, json=body), 401, "unauthorized")
    refused = client.post(URL, json=body, headers=bearer[Scope.READ])
    assert "needed: write" in problem_of(refused, 403, "forbidden")["detail"]
    made = make(client, bearer[Scope.WRITE], length="P1D")
    assert client.get(URL, headers=bearer[Scope.READ]).status_code == 200
    path = f"{URL}/{made['id']}"
    problem_of(client.delete(path, headers=bearer[Scope.READ]), 403, "forbidden")
    assert client.delete(path, headers=bearer[Scope.WRITE]).get_json()["state"] == "revoked"


def test_what_a_link_shows_in_each_form(away):  # noqa: F811
    """The same sheet as for whoever may ask for it, of its one tank, with the absence's words."""
    put(away, "beck")
    path = f"/shared/{make(away, absence='june')['secret']}"
    sheet = away.get(path, headers=JSON)
    assert sheet.get_json() == away.get("/v1/handover?absence=june&tank=riffle").get_json()
    assert sheet.get_json()["absence"]["note"] == AWAY["note"]
    assert "beck" not in sheet.get_data(as_text=True)
    assert sheet.headers["X-Robots-Tag"] == "noindex"
    assert sheet.headers["Cache-Control"] == "private, no-cache"
    calendar = away.get(path, headers={"Accept": "text/calendar"})
    assert calendar.data == away.get(f"{path}.ics").data
    from ical.calendar_stream import IcsCalendarStream  # not by every process that collects tests

    events = IcsCalendarStream.calendar_from_ics(calendar.get_data(as_text=True)).events
    assert len(events) == len(sheet.get_json()["tanks"][0]["tasks"])
    detail = problem_of(away.get(path, headers={"Accept": "image/png"}), 406, "not-acceptable")
    assert detail["detail"].endswith("allowed: text/html, application/json, text/calendar")
    (link,) = away.get(URL).get_json()["shares"]
    assert link["last_used"] == "2025-06-04T12:00:00Z"


def test_a_link_of_no_absence_tells_no_other_words(away):  # noqa: F811
    secret = make(away, length="P4D", name="secret remark")["secret"]
    text = away.get(f"/shared/{secret}", headers=JSON).get_data(as_text=True)
    absence = json.loads(text)["absence"]
    assert (absence["id"], absence["note"], absence["covers"]) == (None, "", "")
    assert "secret remark" not in text


def test_a_link_ends(away, app, context):  # noqa: F811
    made = make(away, length="P4D")
    path = f"/shared/{made['secret']}"
    at(app, context, days=4, microseconds=-1)
    assert away.get(path, headers=JSON).status_code == 200
    at(app, context, days=4)
    for address in (path, f"{path}.ics"):
        detail = problem_of(away.get(address), 410, "gone")["detail"]
        assert detail == "this link expired on 2025-06-08 at 12:00 UTC; ask for a new one"
    assert away.get(URL).get_json()["shares"][0]["state"] == "expired"
    at(app, context, days=1)
    assert away.get(path, headers=JSON).status_code == 200
    revoked = away.delete(f"{URL}/{made['id']}").get_json()
    assert (revoked["state"], revoked["revoked"]) == ("revoked", "2025-06-05T12:00:00Z")
    detail = problem_of(away.get(path), 410, "gone")["detail"]
    assert detail == "this link was revoked on 2025-06-05 at 12:00 UTC; ask for a new one"
    assert away.delete(f"{URL}/{made['id']}").get_json() == revoked
    away.delete("/v1/tanks/riffle")
    problem_of(away.get(path), 404, "not-found")


def test_a_wrong_secret_is_told_nothing(away, app, context):  # noqa: F811
    made = make(away, length="P4D")
    secret = made["secret"]
    other = "A" if secret[-1] != "A" else "B"
    at(app, context, days=9)  # also of a link that is over
    for wrong in ("x", secret[:-1], secret[:-1] + other, f"littoral{secret[5:]}", f"{secret}x"):
        for path in (f"/shared/{wrong}", f"/shared/{wrong}.ics"):
            detail = problem_of(away.get(path), 404, "not-found")["detail"]
            assert detail == "there is no such link; allowed: the whole link as it was given"


def test_the_secret_opens_nothing_else(away, context):  # noqa: F811
    """Tried as bearer, as password, as a log-in and as cookie, at every address of the service."""
    app = create_app(context)
    client = app.test_client()
    secret = make(client, length="P4D")["secret"]
    context.registry.create_token("keeper", Scope.ADMIN, NOW)
    assert client.get(f"/shared/{secret}", headers=JSON).status_code == 200
    unlimited = replace(context.config.http, refusals_per_minute=100_000)
    at(app, replace(context, config=replace(context.config, http=unlimited)))
    client.post("/login", data={"secret": secret})
    client.set_cookie("littoral_page", secret)
    open_to_all = {"/healthz", "/readyz", "/openapi.json", "/docs", "/problems", "/login"}
    asked = set()
    for rule in app.url_map.iter_rules():
        if "static" in rule.endpoint or rule.rule.startswith(("/shared/", "/problems/", "/mail/")):
            continue
        names = {"tank": "riffle", "day": "2025-06-04", "date": "2025-06-04"}
        path = rule.rule
        for name in rule.arguments:
            path = path.replace(f"<{name}>", names.get(name, "x"))
        for method in (rule.methods or set()) - {"OPTIONS"}:
            for how in ({"Authorization": f"Bearer {secret}"}, {}):
                auth = None if how else ("any", secret)
                answer = client.open(path, method=method, headers=how, auth=auth)
                asked.add(rule.rule)
                if rule.rule in open_to_all or rule.rule == "/logout":
                    continue
                away_from_here = answer.status_code == 303 and "/login" in answer.location
                assert answer.status_code == 401 or away_from_here, (method, path, answer.status)
    assert len(asked) > 50
    for method in ("post", "put", "patch", "delete"):
        # Open is the address for reading alone: any other method is refused as one that is nowhere.
        answer = getattr(client, method)(f"/shared/{secret}")
        problem_of(answer, 401, "unauthorized")


def test_people_are_told_on_a_page(away, context):  # noqa: F811
    client = create_app(context).test_client()
    made = make(client, absence="june")
    page = client.get(f"/shared/{made['secret']}", headers=HTML)
    assert (page.status_code, page.mimetype) == (200, "text/html")
    assert client.get(f"/shared/{made['secret']}").mimetype == "text/html"
    text = page.get_data(as_text=True)
    assert f'href="/shared/{made["secret"]}.ics"' in text
    assert "The key hangs in the shed." in text
    assert 'href="/"' not in text and "<form" not in text
    client.delete(f"{URL}/{made['id']}")
    over = client.get(f"/shared/{made['secret']}", headers=HTML)
    assert (over.status_code, over.mimetype) == (410, "text/html")
    assert "default-src 'none'" in over.headers["Content-Security-Policy"]
    assert "this link was revoked on" in over.get_data(as_text=True)
    assert 'href="/"' not in over.get_data(as_text=True)
    assert client.get("/shared/x", headers=HTML).status_code == 404


def test_no_log_keeps_a_secret(away, app, context, caplog, monkeypatch):  # noqa: F811
    secret = make(away, length="P4D")["secret"]

    def gone(_):
        raise StoreUnavailableError("the store does not answer")

    monkeypatch.setattr(context.store, "series", gone)
    with caplog.at_level(logging.DEBUG):
        problem_of(away.get(f"/shared/{secret}", headers=JSON), 503, "store-unavailable")
    assert "/shared/<secret>" in caplog.text
    assert secret not in caplog.text
