"""The page of mail, and the page that ends it: what they show, what they change, who may."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime, time, timedelta
from pathlib import Path

import pytest
from flask import url_for
from flask.testing import FlaskClient

from service.app.app_factory import create_app
from service.app.application import Application
from service.clock import FixedClock
from service.config import (
    Config,
    EmailOptions,
    HttpConfig,
    IntegrationConfig,
    MailServer,
    RecipientOptions,
)
from service.integrations.email.links import Links
from service.integrations.email.schedule import TEST
from service.registry.audit import ActorKind
from service.registry.models.access import Scope
from service.registry.models.events import NewEvent
from service.registry.models.tank import Tank
from service.store import open_store
from tests.registries import sqlite_registry

NOW = datetime(2026, 6, 4, 12, 0, tzinfo=UTC)
BASE = "https://tanks.example.org"
RECIPIENTS = (
    RecipientOptions("ana", "ana@example.org", tanks=("riffle", "gone"), digest=time(7, 30)),
    RecipientOptions("keeper", "keeper@example.org", digest=None, urgent=False),
)
OPTIONS = EmailOptions(MailServer("127.0.0.1", 25, "none"), "l@example.org", RECIPIENTS)
CONFIG = Config(
    http=HttpConfig(public_url=BASE), integrations=(IntegrationConfig("mail", OPTIONS),)
)


@pytest.fixture
def application(tmp_path: Path) -> Iterator[Application]:
    """A tank, and mail to two people who were known before."""
    store = open_store(f"sqlite:///{tmp_path / 'readings.db'}")
    registry = sqlite_registry(tmp_path / "registry.db")
    registry.put_tank(Tank("riffle", "Riffle"))
    for name in ("mail/ana", "mail/keeper"):
        registry.hand_over(name, NOW)
    yield Application(CONFIG, FixedClock(NOW), store, registry)
    registry.close()
    store.close()


@pytest.fixture
def client(application: Application) -> FlaskClient:
    return create_app(application).test_client()


def failed(application: Application, *, dead: bool) -> int:
    """A mail to ``ana`` that was not sent; its id."""
    registry = application.registry
    registry.add_events([NewEvent(TEST, "test/mail/ana", "", NOW, {}, target="mail/ana")])
    registry.hand_over("mail/ana", NOW)
    [one] = registry.deliveries(target="mail/ana")
    if dead:
        registry.settle_dead(one.id, NOW, "the recipient is refused: 550 No such user")
    else:
        registry.put_off(one.id, NOW, "the connection failed: Connection refused")
    return one.id


def csrf_of(page: str) -> str:
    found = re.search(r'name="csrf_token" value="([^"]+)"', page)
    assert found is not None
    return found[1]


def test_it_lists_who_gets_what_and_what_went_wrong(
    application: Application, client: FlaskClient
) -> None:
    failed(application, dead=False)
    page = client.get("/mail").text
    for words in (
        "ana@example.org. Riffle, gone (no such tank); each day at 07:30; urgent ones at once.",
        "keeper@example.org. All tanks; no mail of the day; no urgent ones. Last sent: never.",
        "The last mail was not sent: the connection failed: Connection refused. It will be tried",
    ):
        assert words in page, words
    assert 'href="/mail"' in client.get("/").text


def test_whoever_may_write_stops_starts_and_tests(
    application: Application, client: FlaskClient
) -> None:
    registry = application.registry
    page = client.get("/mail").text
    form = {"csrf_token": csrf_of(page)}
    address = "/mail/recipients/mail/ana"
    assert client.post(f"{address}/stop").status_code == 403, "without the form's own token"
    assert client.post(f"{address}/stop", data=form).status_code == 303
    assert registry.targets()["mail/ana"].stopped is not None
    assert "gets no mail" in client.get("/mail").text
    assert client.post(f"{address}/resume", data=form).status_code == 303
    assert registry.targets()["mail/ana"].stopped is None
    assert client.post(f"{address}/test", data=form).status_code == 303
    assert registry.hand_over("mail/ana", NOW) == 1
    assert registry.hand_over("mail/keeper", NOW) == 0, "it is for one recipient alone"
    assert registry.events() == [], "and nothing for the stream of events"
    answer = client.post("/mail/recipients/mail/eve/stop", data=form)
    assert answer.status_code == 404 and "allowed: mail/ana, mail/keeper" in answer.text
    deeds = [(one.action, one.subject) for one in registry.audit()[:3]]
    assert deeds == [
        ("mail.tested", "mail/mail/ana"),
        ("mail.resumed", "mail/mail/ana"),
        ("mail.stopped", "mail/mail/ana"),
    ]


def test_what_was_given_up_is_sent_again(application: Application, client: FlaskClient) -> None:
    id = failed(application, dead=True)
    page = client.get("/mail").text
    assert "It is given up." in page
    answer = client.post(f"/mail/deliveries/{id}/again", data={"csrf_token": csrf_of(page)})
    assert answer.status_code == 303
    assert application.registry.claim_deliveries(
        "mail/ana", datetime.now(UTC), timedelta(minutes=1)
    )


def test_readyz_and_metrics_say_that_mail_fails_and_stay_ready(
    application: Application, client: FlaskClient
) -> None:
    failed(application, dead=False)
    body = client.get("/readyz").get_json()
    assert body["failing"] == [
        {
            "target": "mail/ana",
            "state": "waiting",
            "attempts": 1,
            "error": "the connection failed: Connection refused",
        }
    ]
    assert not any("mail" in reason for reason in body["reasons"])
    metrics = client.get("/metrics").text
    assert 'littoral_delivery_failing{target="mail/ana"} 1.0' in metrics
    assert 'littoral_deliveries{state="waiting",target="mail/ana"} 1.0' in metrics


def test_the_link_of_a_mail_ends_it_with_one_post_and_without_a_login(
    application: Application, client: FlaskClient
) -> None:
    """RFC 8058, 3.1 and 3.2: a GET changes nothing; the POST has no cookie and no other context."""
    registry = application.registry
    _, secret = registry.create_token("somebody", Scope.ADMIN, NOW)
    assert client.get("/mail").status_code == 303, "the other page asks for a login"
    address = Links(registry, BASE).one_click("mail/ana").removeprefix(BASE)
    before = len(registry.audit())
    page = client.get(address)
    assert page.status_code == 200 and "No more mail" in page.text
    assert page.headers["X-Robots-Tag"] == "noindex"
    assert registry.targets()["mail/ana"].stopped is None
    strange = {"Origin": "https://mail.example.net", "Sec-Fetch-Site": "cross-site"}
    stranger = create_app(application).test_client()
    done = stranger.post(address, data={"List-Unsubscribe": "One-Click"}, headers=strange)
    assert done.status_code == 200 and "You get no more mail" in done.text
    assert registry.targets()["mail/ana"].stopped is not None
    assert registry.targets()["mail/keeper"].stopped is None
    again = client.post(address.replace("/stop/", "/start/"))
    assert "No more mail" in again.text
    assert registry.targets()["mail/ana"].stopped is None
    records = registry.audit()[: len(registry.audit()) - before]
    assert {(one.actor.kind, one.actor.name) for one in records} == {(ActorKind.LINK, "mail/ana")}
    assert secret not in page.text


def test_a_forged_or_old_link_changes_nothing(
    application: Application, client: FlaskClient
) -> None:
    registry = application.registry
    token = Links(registry, BASE).stop("mail/ana").rpartition("/")[2]
    # not the last letter, of which base64 uses four bits alone
    forged = f"{token[:-9]}{'A' if token[-9] != 'A' else 'B'}{token[-8:]}"
    for wrong in (forged, "x", token[1:]):
        answer = client.post(f"/mail/stop/{wrong}")
        assert answer.status_code == 404 and "no such link" in answer.text
    registry.rotate_signing_key(NOW, "mail")
    assert client.post(f"/mail/stop/{token}").status_code == 404
    assert registry.targets()["mail/ana"].stopped is None


def test_without_mail_there_is_no_link_to_the_page(application: Application) -> None:
    client = create_app(replace(application, config=Config())).test_client()
    assert 'href="/mail"' not in client.get("/").text
    assert "No mail is set up." in client.get("/mail").text


def test_the_addresses_in_mail_are_those_of_the_service(application: Application) -> None:
    registry = application.registry
    links, made = Links(registry, BASE), []
    plain = links.of_tank(registry.tank("riffle"), RECIPIENTS[1], NOW, made)
    shared = links.of_tank(
        registry.tank("riffle"), replace(RECIPIENTS[0], share="report"), NOW, made
    )
    with create_app(application).test_request_context(base_url=BASE):
        assert plain == url_for("pages.tank", tank="riffle", _external=True)
        secret = shared.rpartition("/")[2]
        assert shared == url_for("shared.shared_sheet", secret=secret, _external=True)
    assert [one.may_report for one in made] == [True]
    assert create_app(application).test_client().get(shared.removeprefix(BASE)).status_code == 200
