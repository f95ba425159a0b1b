"""Every form of a task or recommendation carries all of its cautions.

Each rule has a finding here whose caution is its own, and each kind of planned task and each
emergency is what the product makes of it; every form that shows them is read from outside.
"""

from __future__ import annotations

import json
import re
from datetime import timedelta
from html import unescape
from typing import Any

import icalendar
import pytest
from flask.testing import FlaskClient

from service.advice.engine.catalogue import RULES
from service.advice.engine.history.ledger import Ledger
from service.advice.engine.recommendation import Amount, Evidence, Finding, Recommendation, Severity
from service.advice.handover.absence import sheet_of
from service.advice.handover.sheet import TankSheet
from service.app.application import Application
from service.config import HomieOptions, HubOptions, MqttConfig
from service.derive.caching.drift_cache import MorningDrifts
from service.derive.loader import load
from service.derive.tank_view import tank_view
from service.integrations.homie.device import alerts_of
from service.integrations.hub.discovery import states as hub_states
from service.integrations.hub.entities import entities_of
from service.integrations.hub.topics import HubTopics
from service.integrations.hub.words import events_of, to_do
from service.integrations.mqtt_advice import MqttAdvice
from service.integrations.tank_figures import figures_of
from service.integrations.webhooks.post import cloud_event
from service.registry.models.absence import Absence
from service.registry.models.log import LogKind
from service.registry.models.plans import DosePlan, GasPlan
from service.registry.models.tank import Dimensions, Stock, Tank
from tests.api.conftest import NOW, app, client, context, made  # noqa: F401 - fixtures used here too
from tests.cli.conftest import littoral  # noqa: F401
from tests.over_http import url  # noqa: F401

DAY = timedelta(days=1)
TASK_CODES = {"look", "water-change-due", "dose-due", "prefilter-due", "kh-test-due"}
"""Every kind of task that anyone may do; the others wait for the tank keeper."""


def own_caution(code: str) -> str:
    """A caution that no other rule has."""
    return f"Caution that belongs to {code} & to nothing else."


def finding(code: str) -> Finding:
    """What a rule of this code could find, as the engine completes it."""
    return Finding(
        code,
        Severity.URGENT,
        f"Title of {code}",
        f"Action of {code}.",
        (Evidence(f"reason of {code}"),),
        amounts=(Amount("water", 12.0, "L"),),
        due=NOW + DAY,
        cautions=("A caution that all share.", own_caution(code)),
        since=NOW,
    )


def a_tank() -> Tank:
    """A tank whose plans ask for work of every kind."""
    return Tank(
        "reedbed",
        "Reedbed",
        dimensions=Dimensions(90, 45, 45),
        net_volume_l=120.0,
        animals=(Stock("Neocaridina davidi", 12),),
        doses=(DosePlan("trace", ml_per_100_l=5.0),),
        gas=GasPlan(close="Pull the grey plug."),
        thresholds={"stem_growth_cm_week": 7.0},
        contact="Invented keeper, extension 12",
    )


@pytest.fixture
def open_ones(context: Application) -> list[Recommendation]:  # noqa: F811
    """A tank with everything to do: an open recommendation of every rule."""
    registry = context.registry
    registry.put_tank(a_tank())
    for kind, data, days in (
        (LogKind.WATER_CHANGE, {"fraction": 0.5}, 9),
        (LogKind.FILTER_CLEAN, {"part": "filter"}, 80),
        (LogKind.CALIBRATION, {"quantity": "ph", "slope_percent": 98.0}, 80),
        (LogKind.KH_TEST, {"kh_meq_l": 1.4}, 60),
        (LogKind.TRIM, {"fraction": 0.1}, 20),
    ):
        registry.add_log("reedbed", kind, NOW - days * DAY, data)
    view = tank_view(load(registry.tank("reedbed"), registry, context.store, NOW))
    Ledger(registry).update(view, [finding(rule.code) for rule in RULES])
    found = Ledger(registry).list("reedbed")
    assert {one.finding.code for one in found} == {rule.code for rule in RULES}
    assert sum(one.folded for one in found) > 20, "most of them are folded"
    return found


@pytest.fixture
def sheet(context: Application, open_ones: list[Recommendation]) -> TankSheet:  # noqa: F811
    tanks = context.registry.tanks()
    absence = Absence("away", NOW, NOW + 14 * DAY)
    context.registry.put_absences([absence])
    (page,) = sheet_of(absence, tanks, context.registry, context.store, NOW, MorningDrifts()).tanks
    planned = {one.code for one in page.tasks}
    assert planned == TASK_CODES, "every kind of task that anyone may do"
    return page


def shown_with_cautions(html: str, title: str, article: str = "") -> set[str]:
    """The cautions that a page refers to beside a title, read from its numbered list."""
    notes = re.search(r'<aside class="safety".*?<ol>(.*?)</ol>', html, re.S)
    assert notes, "the page has no safety notes"
    texts = [unescape(one) for one in re.findall(r"<li>(.*?)</li>", notes[1], re.S)]
    at = html.index(title)
    refs = re.search(r'<span class="refs">Safety: ([\d, ]+)\.</span>', html[at : at + 3000])
    assert refs, f"{title} stands without its safety notes"
    between = html[at : at + refs.start()]
    assert between.count('<span class="refs">') == 0
    return {texts[int(number) - 1] for number in refs[1].split(",")}


def test_page_of_the_tank(client: FlaskClient, open_ones: list[Recommendation]) -> None:  # noqa: F811
    html = client.get("/tanks/reedbed", headers={"Accept": "text/html"}).text
    for one in open_ones:
        card = html[html.index(f'id="job-{one.id}"') :].partition('<form class="actions"')[0]
        assert f"<h3>{one.finding.title}</h3>" in card
        (cautions,) = re.findall(r'<div class="cautions">.*?<ul>(.*?)</ul>', card, re.S)
        shown = [unescape(text) for text in re.findall(r"<li>(.*?)</li>", cautions, re.S)]
        assert shown == list(one.finding.cautions), "on its own card"


def test_json_and_calendar(client: FlaskClient, open_ones: list[Recommendation]) -> None:  # noqa: F811
    documents = client.get("/v1/tanks/reedbed/recommendations").get_json()["recommendations"]
    assert len(documents) == len(open_ones)
    feed = icalendar.Calendar.from_ical(client.get("/v1/tanks/reedbed/tasks.ics").data)
    texts = {str(one["summary"]): str(one["description"]) for one in feed.walk("VEVENT")}
    by_id = {document["id"]: document for document in documents}
    for one in open_ones:
        assert by_id[one.id]["cautions"] == list(one.finding.cautions)
        assert by_id[one.id]["who"] in ("anyone", "keeper")
        text = texts[f"Reedbed: {one.finding.title}"]
        assert all(f"- {caution}" in text for caution in one.finding.cautions)


def test_handover_sheet_in_all_its_forms(
    client: FlaskClient,  # noqa: F811
    context: Application,  # noqa: F811
    sheet: TankSheet,
) -> None:
    _, secret = context.registry.create_share(
        "reedbed", NOW, NOW + 14 * DAY, NOW, expires=NOW + 15 * DAY
    )
    words = [*sheet.now, *sheet.tasks, *sheet.emergencies]
    for address in ("/handover", f"/shared/{secret}"):
        html = unescape(client.get(address, headers={"Accept": "text/html"}).text)
        assert "Call <b>Invented keeper, extension 12</b>" in html
        assert "Pull the grey plug." in html
        for one in words:
            if one.cautions:
                title = one.title[:1].upper() + one.title[1:]
                tags = ("<b>{}</b>", "<dt>{}</dt>")
                mark = next(tag.format(title) for tag in tags if tag.format(title) in html)
                assert shown_with_cautions(html, mark) == set(one.cautions), title
    for address in ("/v1/handover?absence=away", f"/shared/{secret}"):
        answer = client.get(address, headers={"Accept": "application/json"}).get_json()
        (page,) = answer["tanks"]
        shown: list[dict[str, Any]] = [*page["open"], *page["tasks"], *page["emergencies"]]
        assert [(one["title"], one["cautions"]) for one in shown] == [
            (one.title, list(one.cautions)) for one in words
        ]
        assert set(page["cautions"]) == {text for one in words for text in one.cautions}
    for address in ("/v1/handover.ics?absence=away", f"/shared/{secret}.ics"):
        events = icalendar.Calendar.from_ical(client.get(address).data).walk("VEVENT")
        texts = {str(one["uid"]): str(one["description"]) for one in events}
        assert len(texts) == len(sheet.tasks)
        for task in sheet.tasks:
            (text,) = [
                text for uid, text in texts.items()
                if uid.startswith(f"{task.code}-") and task.day.isoformat() in uid
            ]  # fmt: skip
            assert all(f"- {caution}" in text for caution in task.cautions)


def test_page_of_a_link_that_takes_reports(
    client: FlaskClient,  # noqa: F811
    context: Application,  # noqa: F811
    sheet: TankSheet,
) -> None:
    """Each emergency and task opens to its own cautions; JSON has them beside each task."""
    _, secret = context.registry.create_share(
        "reedbed", NOW, NOW + 14 * DAY, NOW, expires=NOW + 15 * DAY, name="Ada", may_report=True
    )
    html = client.get(f"/shared/{secret}", headers={"Accept": "text/html"}).text
    assert "Call <b>Invented keeper, extension 12</b>" in html
    opened: dict[str, set[str]] = {}
    for title, body in re.findall(r"<summary>([^<]*)</summary>(.*?)</details>", html, re.S):
        texts = {unescape(one) for one in re.findall(r"<li>(.*?)</li>", body, re.S)}
        assert opened.setdefault(unescape(title), texts) == texts
    shown = [one for one in sheet.tasks if one.due < NOW + 13 * DAY]
    for one in (*sheet.now, *shown, *sheet.emergencies):
        title = one.title[:1].upper() + one.title[1:]
        assert opened[title] == set(one.cautions), title
    tasks = client.get(f"/shared/{secret}/tasks").get_json()["tasks"]
    listed = {(one["title"], tuple(one["cautions"])) for one in tasks}
    asks_more = {one.title for one in sheet.now} - {title for title, _ in listed}
    assert not asks_more, "what anyone may do asks for one number at most"
    assert listed == {(one.title, one.cautions) for one in (*sheet.now, *sheet.tasks)}


def test_return_report(
    client: FlaskClient,  # noqa: F811
    context: Application,  # noqa: F811
    open_ones: list[Recommendation],
) -> None:
    context.registry.put_absences([Absence("past", NOW - 2 * DAY, NOW + DAY)])
    html = client.get("/handover/return", headers={"Accept": "text/html"}).text
    (page,) = client.get("/v1/handover/return").get_json()["tanks"]
    by_id = {document["id"]: document for document in page["open"]}
    assert len(by_id) == len(open_ones)
    for one in open_ones:
        title = f"<b>{one.finding.title}</b>"
        assert shown_with_cautions(html, title) == set(one.finding.cautions)
        assert by_id[one.id]["cautions"] == list(one.finding.cautions)


def test_command_line(littoral: Any, url: str, open_ones: list[Recommendation]) -> None:  # noqa: F811
    for command in ("status", "advice"):
        text = " ".join(littoral(command, "reedbed", "--url", url).out.split())
        for one in open_ones:
            at = text.index(f"{one.finding.title}, by")
            mine = text[at : at + 300]
            assert all(f"Caution: {caution}" in mine for caution in one.finding.cautions), command
    whole = json.loads(littoral("status", "reedbed", "--url", url, "--json").out)
    assert {tuple(one["cautions"]) for one in whole["recommendations"]} == {
        one.finding.cautions for one in open_ones
    }


def test_messages_to_other_programs(context: Application) -> None:  # noqa: F811
    """MQTT, webhooks, Homie and hubs carry them."""
    registry = context.registry
    registry.put_tank(a_tank())
    view = tank_view(load(registry.tank("reedbed"), registry, context.store, NOW))
    change = Ledger(registry).update(view, [finding(rule.code) for rule in RULES])
    advice = MqttAdvice(MqttConfig(url="mqtt://127.0.0.1:1"), 60.0)
    advice.update(view, change)
    messages = advice._topics.messages("reedbed")
    alerts = alerts_of(
        HomieOptions(), figures_of(view, change.current), change.current, changed=(), published={}
    )
    events = {event.subject: event for event in registry.events(limit=1000)}
    for one in change.current:
        cautions = list(one.finding.cautions)
        document = json.loads(messages[f"littoral/reedbed/advice/{one.finding.code}"])
        assert document["cautions"] == cautions
        posted = cloud_event(events[one.id], "https://littoral.example").get_data()
        assert isinstance(posted, dict) and posted["cautions"] == cautions
        assert all(caution in alerts[one.finding.code] for caution in cautions)
    summary = json.loads(messages["littoral/reedbed/advice/summary"])
    short = [one for one in change.current if not one.folded]
    assert summary["titles"] == [one.finding.title for one in short]
    assert set(summary["cautions"]) == {text for one in short for text in one.finding.cautions}
    hub = HubTopics("littoral", HubOptions(), "littoral")
    words = to_do(change, {})
    entities = entities_of(figures_of(view, change.current), words, buttons=True)
    published = dict(hub_states(hub, "reedbed", entities))
    attributes = json.loads(published[hub.attributes("reedbed", "first")])
    shown = [attributes, *attributes["others"]]
    assert [one["title"] for one in shown] == [one.finding.title for one in short]
    assert [one["cautions"] for one in shown] == [list(one.finding.cautions) for one in short]
    for event in events_of(change):
        (one,) = (each for each in change.current if each.id == event["id"])
        assert event["cautions"] == list(one.finding.cautions)
