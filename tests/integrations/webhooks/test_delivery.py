"""Webhooks: repetition, several processes, and one delivery from end to end."""

from __future__ import annotations

import json
import ssl
import threading
from dataclasses import replace
from datetime import timedelta
from ipaddress import ip_network
from pathlib import Path

import pytest
import trustme
from standardwebhooks import Webhook as Verifier

from service.advice.engine.history.change_events import ChangeKind
from service.advice.engine.history.ledger import Ledger
from service.config import WebhookOptions
from service.errors import NoSuchTankError, PreconditionFailedError, RegistryUnavailableError
from service.integrations.delivery_queue import (
    AT_ONCE,
    LONGEST_BACKOFF,
    DeliveryQueue,
    Outcome,
    backoff,
)
from service.integrations.webhooks.delivery import Webhook
from service.integrations.webhooks.post import (
    longest_attempt_s,
)
from service.integrations.webhooks.target import WebhookTarget, webhook_target
from service.registry.database.versions import Precondition
from service.registry.models.events import Delivery, DeliveryState, NewEvent
from service.registry.models.recommendations import State
from service.registry.registry import Registry
from tests.advice.engine.test_ledger import at, finding
from tests.derive.pieces import NOON, a_tank
from tests.integrations.webhooks.invented import (
    KEY,
    LOOPBACK,
    NOW,
    OPTIONS,
    SECRET,
    StepClock,
    made,
    target_at,
)
from tests.integrations.webhooks.receiver import Receiver
from tests.servers import wait_until


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


def test_what_one_that_stood_still_was_sending_comes_twice_and_nothing_else(
    registry: Registry, caplog: pytest.LogCaptureFixture
) -> None:
    clock = StepClock()
    with Receiver() as receiver:
        slow, other = (
            Webhook(target_at(receiver), registry, clock, claimant=one) for one in ("slow", "other")
        )
        slow.deliver_due()
        registry.add_events(
            [NewEvent("recommendation.opened", str(n), "reed", NOW, {}) for n in range(3)]
        )

        def taken_over() -> None:
            receiver.on_request = None
            registry.leave("slow")  # as others do for one that is silent
            assert other.deliver_due() == 3

        receiver.on_request = taken_over
        assert slow.deliver_due() == 1
        ids = [one.headers["webhook-id"] for one in receiver.received]
    first, *others = [one.id for one in registry.events()]
    assert ids == [first, first, *others]
    assert f"event {first} was taken over by another process" in caplog.text
    assert [one.attempts for one in registry.deliveries()] == [1, 1, 1]


@pytest.mark.parametrize("status", [204, 500])
def test_a_registry_that_is_away_for_the_note_of_an_attempt_makes_no_second_one(
    registry: Registry, monkeypatch: pytest.MonkeyPatch, status: int
) -> None:
    clock = StepClock()
    with Receiver(statuses=[status, 204]) as receiver:
        webhook = made(registry, receiver, clock)
        webhook.deliver_due()
        registry.add_events(
            [NewEvent("recommendation.opened", str(n), "reed", NOW, {}) for n in range(3)]
        )

        def away(*_: object) -> bool:
            raise RegistryUnavailableError("the disk is full")

        with monkeypatch.context() as patched:
            for name in ("settle_delivered", "put_off"):
                patched.setattr(registry, name, away)
            for _ in range(2):
                with pytest.raises(RegistryUnavailableError):
                    webhook.deliver_due()
        assert webhook.deliver_due() == 2, "the others at once, not only when the claim runs out"
        ids = [one.headers["webhook-id"] for one in receiver.received]
    assert ids == [one.id for one in registry.events()]
    *_, first = registry.deliveries()
    assert first.attempts == 1
    assert first.state is (DeliveryState.DELIVERED if status == 204 else DeliveryState.WAITING)


@pytest.mark.parametrize(
    ("fault", "next_round"),
    [(RegistryUnavailableError("away"), ["0", "1", "2"]), (ZeroDivisionError(), ["1", "2"])],
)
def test_an_attempt_that_asks_a_registry_that_is_away_waits_for_nothing_else(
    registry: Registry, fault: Exception, next_round: list[str]
) -> None:
    attempted, faults = list[str](), [fault]

    def attempt(delivery: Delivery) -> Outcome:
        if faults:
            raise faults.pop()
        attempted.append(delivery.event.subject)
        return Outcome(True)

    queue = DeliveryQueue(
        "mail", registry, attempt, attempts=9, longest_attempt_s=60.0, clock=StepClock()
    )
    queue.deliver_due()
    registry.add_events(
        [NewEvent("recommendation.opened", str(n), "reed", NOW, {}) for n in range(3)]
    )
    with pytest.raises(type(fault)):
        queue.deliver_due()
    queue.deliver_due()
    assert attempted == next_round, "an odd event alone waits, and holds up no other"


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
