"""Webhooks: files, signature, outcomes, repetition, and one delivery from end to end."""

from __future__ import annotations

import base64
import json
import ssl
import threading
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from ipaddress import ip_network
from pathlib import Path
from typing import Any

import pytest
import requests
import requests_mock
import trustme
from cloudevents.core.bindings.http import HTTPMessage, from_structured_event
from standardwebhooks import Webhook as Verifier
from standardwebhooks import WebhookVerificationError

from service.advice.engine.history.change_events import ChangeKind
from service.advice.engine.history.ledger import Ledger
from service.config import WebhookOptions
from service.errors import ConfigError, NoSuchTankError, PreconditionFailedError
from service.integrations.delivery_queue import AT_ONCE, LONGEST_BACKOFF, backoff
from service.integrations.webhooks.checked_address import CheckedSession
from service.integrations.webhooks.delivery import Webhook
from service.integrations.webhooks.post import (
    cloud_event,
    longest_attempt_s,
    post,
    signed_message,
)
from service.integrations.webhooks.target import WebhookTarget, webhook_target
from service.registry.database.versions import Precondition
from service.registry.models.events import DeliveryState, Event, NewEvent
from service.registry.models.recommendations import State
from service.registry.registry import Registry
from tests.advice.engine.test_ledger import at, finding
from tests.derive.pieces import NOON, a_tank
from tests.integrations.webhooks.receiver import Receiver
from tests.registries import sqlite_registry
from tests.servers import wait_until

NOW = datetime(2026, 5, 4, 12, 0, 0, tzinfo=UTC)
KEY = bytes(range(32))
SECRET = "whsec_" + base64.b64encode(KEY).decode()
LOOPBACK = (ip_network("127.0.0.0/8"),)
OPTIONS = WebhookOptions("https://hook.example/in?key=hidden", KEY, timeout_s=2.0)
TARGET = WebhookTarget("hook", KEY, OPTIONS)
EVENT = Event(
    7,
    "0b7e5f0c-5b0e-4c53-9c5e-0a8d3a0f5a11",
    "recommendation.opened",
    "co2-low-1f",
    "reed",
    NOW,
    {"code": "co2-low", "title": "Zu wenig CO₂"},
)


class StepClock:
    """A clock that the test moves."""

    def __init__(self) -> None:
        self.moment = NOW

    def now(self) -> datetime:
        return self.moment


@pytest.fixture
def registry(tmp_path: Path) -> Iterator[Registry]:
    registry = sqlite_registry(tmp_path / "registry.db")
    yield registry
    registry.close()


def test_files_beside_the_configuration_are_read(tmp_path: Path) -> None:
    (tmp_path / "secret").write_text(SECRET + "\n")
    trustme.CA().cert_pem.write_to_path(str(tmp_path / "ca.pem"))
    options = WebhookOptions(
        "https://hook.example/",
        secret_file=str(tmp_path / "secret"),
        ca_file=str(tmp_path / "ca.pem"),
    )
    assert webhook_target("shed", options) == WebhookTarget("shed", KEY, options)
    inline = WebhookOptions("https://hook.example/", KEY)
    assert webhook_target("shed", inline).key == KEY


def test_a_wrong_file_is_named(tmp_path: Path) -> None:
    (tmp_path / "torn").write_text("geheim")
    for file in ("torn", "missing"):
        options = WebhookOptions("https://hook.example/", secret_file=str(tmp_path / file))
        with pytest.raises(ConfigError) as caught:
            webhook_target("shed", options)
        assert f"integration shed: secret_file is '{tmp_path}/{file}'" in caught.value.detail
        assert "allowed: path of a file that holds whsec_ and 24 to 64 bytes" in caught.value.detail
        assert "geheim" not in caught.value.detail
    options = WebhookOptions("https://hook.example/", KEY, ca_file=str(tmp_path / "missing"))
    with pytest.raises(ConfigError, match=r"integration shed: ca_file is .*; allowed: path of a"):
        webhook_target("shed", options)


def test_the_message_is_a_cloudevent() -> None:
    headers, body = signed_message(TARGET, EVENT, NOW)
    assert headers["content-type"] == "application/cloudevents+json"
    assert json.loads(body) == {
        "specversion": "1.0",
        "id": EVENT.id,
        "source": "/littoral",
        "type": "littoral.recommendation.opened",
        "subject": "co2-low-1f",
        "time": "2026-05-04T12:00:00Z",
        "datacontenttype": "application/json",
        "sequence": "00000000000000000007",
        "tank": "reed",
        "data": {"code": "co2-low", "title": "Zu wenig CO₂"},
    }
    read = from_structured_event(HTTPMessage(headers, body))
    assert read.get_data() == EVENT.data
    assert read.get_time() == NOW


def test_the_order_of_sequences_is_the_order_of_their_texts() -> None:
    texts = [
        cloud_event(replace(EVENT, sequence=n), "/x").get_attributes()["sequence"]
        for n in (9, 10, 99, 100, 2**62)
    ]
    assert texts == sorted(texts)


def test_the_signature_is_that_of_the_standard() -> None:
    """Worked example of the Standard Webhooks specification's reference tests (from memory)."""
    verifier = Verifier("whsec_MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw")
    moment = datetime.fromtimestamp(1614265330, UTC)
    signature = verifier.sign("msg_p5jXN8AQM9LWM0D4loKWxJek", moment, '{"test": 2432232314}')
    assert signature == "v1,g0hM9SsE+OTPJTGt/tmIKtSyZlE3uFJELVlNIOLJ1OE="


def test_a_receiver_can_verify_and_sees_a_changed_body() -> None:
    headers, body = signed_message(TARGET, EVENT, datetime.now(UTC))
    verifier = Verifier(SECRET)
    assert verifier.verify(body, headers)["id"] == EVENT.id
    with pytest.raises(WebhookVerificationError):
        verifier.verify(body.replace(b"Zu wenig", b"Zu viel "), headers)
    with pytest.raises(WebhookVerificationError):
        Verifier(base64.b64encode(b"x" * 32).decode()).verify(body, headers)
    old, _ = signed_message(TARGET, EVENT, datetime.now(UTC) - timedelta(minutes=6))
    with pytest.raises(WebhookVerificationError, match="too old"):
        verifier.verify(body, old)


def outcome_of(**answer: Any) -> Any:
    with CheckedSession(LOOPBACK) as session, requests_mock.Mocker(session=session) as mock:
        mock.post(OPTIONS.url, **answer)
        return post(session, TARGET, EVENT, NOW)


@pytest.mark.parametrize("status", [200, 201, 202, 204, 299])
def test_any_2xx_is_delivered(status: int) -> None:
    assert outcome_of(status_code=status).delivered


@pytest.mark.parametrize(
    ("status", "headers", "wait_s"),
    [
        (400, {}, 0),
        (404, {}, 0),
        (500, {}, 0),
        (429, {"Retry-After": "120"}, 120),
        (503, {"Retry-After": "Mon, 04 May 2026 12:05:00 GMT"}, 300),
        (503, {"Retry-After": "Mon, 04 May 2026 11:00:00 GMT"}, 0),
        (503, {"Retry-After": "9" * 40}, 86_400),
        (503, {"Retry-After": "soon"}, 0),
    ],
)
def test_any_other_answer_is_tried_again(status: int, headers: dict[str, str], wait_s: int) -> None:
    outcome = outcome_of(status_code=status, headers=headers)
    assert (outcome.delivered, outcome.gone) == (False, False)
    assert (outcome.error, outcome.wait) == (f"HTTP {status}", timedelta(seconds=wait_s))


def test_gone_is_for_good() -> None:
    assert outcome_of(status_code=410).gone


@pytest.mark.parametrize(("status", "is_redirect"), [(300, True), (399, True), (400, False)])
def test_no_other_status_is_delivered(status: int, is_redirect: bool) -> None:
    """RFC 9110, 15: 2xx is success, 3xx redirection, 4xx an error of the client."""
    outcome = outcome_of(status_code=status)
    assert not outcome.delivered and not outcome.gone
    assert ("redirects are not followed" in outcome.error) == is_redirect


def test_a_redirect_is_not_followed() -> None:
    outcome = outcome_of(status_code=307, headers={"Location": "http://169.254.169.254/"})
    assert outcome.error == "HTTP 307: redirects are not followed; configure the final address"


@pytest.mark.parametrize(
    ("raised", "error"),
    [
        (requests.ReadTimeout(), "no answer within 2 s"),
        (requests.ConnectTimeout(), "no answer within 2 s"),
        (requests.ConnectionError(), "cannot connect: ConnectionError"),
        (requests.exceptions.SSLError("certificate"), "TLS failed: SSLError"),
        (requests.exceptions.ChunkedEncodingError(), "cannot connect: ChunkedEncodingError"),
    ],
)
def test_no_answer_is_told_without_the_url(raised: Exception, error: str) -> None:
    assert outcome_of(exc=raised).error == error


def test_a_real_refusal_names_its_cause_and_not_the_url(registry: Registry) -> None:
    with Receiver() as receiver:
        port = receiver.port
    url = f"http://127.0.0.1:{port}/?key=hidden"
    target = WebhookTarget("hook", KEY, replace(OPTIONS, url=url, allow_networks=LOOPBACK))
    delivered = Webhook(target, registry, StepClock(), lambda: 1.0)
    delivered.deliver_due()
    registry.add_events([NewEvent("recommendation.opened", "a", "reed", NOW, {})])
    assert delivered.deliver_due() == 1
    [delivery] = registry.deliveries()
    assert "refused" in delivery.last_error
    assert "hidden" not in delivery.last_error


def test_waits_double_up_to_an_hour_and_are_spread() -> None:
    waits_s = [backoff(failures, 1.0).total_seconds() for failures in range(1, 12)]
    assert waits_s == [10, 20, 40, 80, 160, 320, 640, 1280, 2560, 3600, 3600]
    assert backoff(1, 0.0) == timedelta(seconds=5)
    assert backoff(10**6, 1.0) == LONGEST_BACKOFF


def test_eighty_attempts_take_about_three_days() -> None:
    total = sum((backoff(n, 0.5) for n in range(1, OPTIONS.attempts)), timedelta(0))
    assert timedelta(days=2) < total < timedelta(days=3)


def target_at(receiver: Receiver, **fields: Any) -> WebhookTarget:
    usual = {"url": receiver.url, "allow_networks": LOOPBACK, "timeout_s": 60.0}
    options = replace(OPTIONS, **(usual | fields))
    return WebhookTarget("hook", KEY, options)


def made(registry: Registry, receiver: Receiver, clock: StepClock, **fields: Any) -> Webhook:
    return Webhook(target_at(receiver, **fields), registry, clock, lambda: 1.0)


def test_a_failure_is_repeated_until_it_is_taken(registry: Registry) -> None:
    clock = StepClock()
    with Receiver([500, 503, 200], headers={"Retry-After": "60"}) as receiver:
        webhook = made(registry, receiver, clock)
        assert webhook.deliver_due() == 0
        registry.add_events([NewEvent("recommendation.opened", "a", "reed", NOW, {"n": 1})])
        assert webhook.deliver_due() == 1
        assert webhook.deliver_due() == 0
        clock.moment += timedelta(seconds=59)
        assert webhook.deliver_due() == 0
        clock.moment += timedelta(seconds=1)
        assert webhook.deliver_due() == 1
        clock.moment += timedelta(seconds=60)
        assert webhook.deliver_due() == 1
        clock.moment += timedelta(days=1)
        assert webhook.deliver_due() == 0
    [delivery] = registry.deliveries()
    assert (delivery.state, delivery.attempts) == (DeliveryState.DELIVERED, 3)
    ids = {one.headers["webhook-id"] for one in receiver.received}
    assert len(ids) == 1
    stamps = [int(one.headers["webhook-timestamp"]) for one in receiver.received]
    assert stamps == sorted(set(stamps))


def test_what_is_given_up_is_listed_and_sent_again_on_request(registry: Registry) -> None:
    clock = StepClock()
    with Receiver([500]) as receiver:
        webhook = made(registry, receiver, clock, attempts=3)
        webhook.deliver_due()
        registry.add_events([NewEvent("recommendation.opened", "a", "reed", NOW, {})])
        for _ in range(5):
            webhook.deliver_due()
            clock.moment += timedelta(hours=1)
        [dead] = registry.deliveries(states=[DeliveryState.DEAD])
        assert (dead.attempts, dead.last_error, len(receiver.received)) == (3, "HTTP 500", 3)
        receiver.statuses[:] = [204]
        registry.redeliver(dead.id, clock.now())
        assert webhook.deliver_due() == 1
    assert registry.deliveries()[0].state is DeliveryState.DELIVERED


def test_a_receiver_that_is_gone_is_not_asked_again(registry: Registry) -> None:
    clock = StepClock()
    with Receiver([410]) as receiver:
        webhook = made(registry, receiver, clock)
        webhook.deliver_due()
        registry.add_events([NewEvent("recommendation.opened", "a", "reed", NOW, {})])
        webhook.deliver_due()
    assert registry.deliveries()[0].state is DeliveryState.DEAD


def test_two_processes_of_one_target_send_each_event_once(registry: Registry) -> None:
    with Receiver() as receiver:
        webhooks = [made(registry, receiver, StepClock()) for _ in range(2)]
        webhooks[0].deliver_due()
        registry.add_events(
            [NewEvent("recommendation.opened", str(n), "reed", NOW, {"n": n}) for n in range(30)]
        )
        threads = [threading.Thread(target=one.deliver_due) for one in webhooks]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
        sent = sorted(json.loads(one.body)["data"]["n"] for one in receiver.received)
    assert sent == list(range(30))


def test_a_claim_outlasts_a_round_of_attempts_each_at_its_slowest(registry: Registry) -> None:
    clock, taken = StepClock(), []
    with Receiver() as receiver:
        webhook = made(registry, receiver, clock)
        webhook.deliver_due()
        registry.add_events(
            [NewEvent("recommendation.opened", str(n), "reed", NOW, {}) for n in range(AT_ONCE)]
        )
        round_s = AT_ONCE * longest_attempt_s(target_at(receiver))

        def late() -> None:
            clock.moment = NOW + timedelta(seconds=round_s)
            taken.extend(registry.claim_deliveries("hook", clock.now(), timedelta(0), limit=9))

        receiver.on_request = late
        assert webhook.deliver_due() == AT_ONCE
    assert taken == []


def test_stopping_gives_back_what_was_not_tried(registry: Registry) -> None:
    clock = StepClock()
    with Receiver() as receiver:
        webhook = made(registry, receiver, clock)
        webhook.deliver_due()
        registry.add_events(
            [NewEvent("recommendation.opened", str(n), "reed", NOW, {}) for n in range(3)]
        )
        receiver.on_request = webhook.stop
        assert webhook.deliver_due() == 1
        receiver.on_request = None
        assert made(registry, receiver, clock).deliver_due() == 2
    assert len(receiver.received) == 3


def test_a_recommendation_reaches_a_receiver_from_end_to_end(
    registry: Registry, tmp_path: Path
) -> None:
    """Ledger, event log, thread, TLS on the loopback, signature, CloudEvent."""
    authority = trustme.CA()
    authority.cert_pem.write_to_path(str(tmp_path / "ca.pem"))
    tls = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    authority.issue_cert("127.0.0.1").configure_cert(tls)
    registry.put_tank(a_tank())
    with Receiver([503, 200], tls=tls) as receiver:
        options = WebhookOptions(
            f"https://127.0.0.1:{receiver.port}/in",
            KEY,
            allow_networks=(ip_network("127.0.0.1/32"),),
            ca_file=str(tmp_path / "ca.pem"),
        )
        # With this jitter the first wait of 10 s becomes 5 ms.
        webhook = Webhook(webhook_target("hook", options), registry, jitter=lambda: -0.999)
        webhook.deliver_due()
        webhook.start()
        try:
            ledger = Ledger(registry)
            view = at(NOON)
            change = ledger.update(view, [finding("co2-low")])
            webhook.update(view, change)
            ledger.mark(change.of(ChangeKind.OPENED)[0].id, State.DONE, now=NOON)
            wait_until(lambda: len(receiver.received) == 3)
        finally:
            webhook.stop()
    verifier = Verifier(SECRET)
    seen = [
        (verifier.verify(one.body, one.headers)["type"], json.loads(one.body)["data"]["state"])
        for one in receiver.received
    ]
    opened = ("littoral.recommendation.opened", "open")
    assert seen == [opened, opened, ("littoral.recommendation.marked", "done")]
    assert receiver.received[0].headers["webhook-id"] == receiver.received[1].headers["webhook-id"]
    assert json.loads(receiver.received[0].body)["data"]["code"] == "co2-low"


def test_a_deleted_tank_clears_its_recommendations(registry: Registry) -> None:
    """A receiver that shows what is open has to hear that it no longer is."""
    registry.put_tank(a_tank())
    ledger = Ledger(registry)
    codes = ("co2-low", "light-dead", "light-long", "gas-late")
    opened = ledger.update(at(NOON), [finding(code) for code in codes]).current
    ids = {one.finding.code: one.id for one in opened}
    ledger.mark(ids["light-dead"], State.SNOOZED, NOON + timedelta(days=1), now=NOON)
    ledger.mark(ids["gas-late"], State.DONE, now=NOON)
    with Receiver() as receiver:
        webhook = made(registry, receiver, StepClock())
        webhook.deliver_due()
        with pytest.raises(PreconditionFailedError):
            other = Precondition(versions=frozenset({"another"}))
            ledger.delete_tank("reed", NOON, only_if=other)
        assert webhook.deliver_due() == 0
        ledger.delete_tank("reed", NOON + timedelta(minutes=1))
        assert webhook.deliver_due() == 3
        bodies = [json.loads(one.body) for one in receiver.received]
    assert {one["subject"] for one in bodies} == {ids[code] for code in codes[:3]}
    assert {one["type"] for one in bodies} == {"littoral.recommendation.cleared"}
    assert {(one["data"]["tank"], one["data"]["state"]) for one in bodies} == {("reed", "cleared")}
    assert registry.recommendations(tanks=["reed"], states=tuple(State)) == []
    with pytest.raises(NoSuchTankError):
        ledger.delete_tank("reed", NOON)
