"""Buttons of a hub over a real broker: they mark what they were made for."""

from __future__ import annotations

import threading
from dataclasses import dataclass, field, replace
from pathlib import Path

import paho.mqtt.publish as publish
import pytest

from service.advice.engine.history.ledger import Ledger
from service.advice.engine.recommendation import LogDraft, Severity
from service.config import HubOptions
from service.integrations.hub.presses import Marking
from service.registry.audit import ActorKind
from service.registry.models.log import LogKind
from service.registry.models.recommendations import State
from tests.advice.engine.test_ledger import at, finding
from tests.derive.pieces import NOON
from tests.integrations.conftest import Home
from tests.integrations.hub.hubbish import BY_DEVICE, BY_ENTITY, Hubbish, Start, hub
from tests.integrations.retained import retained_at
from tests.servers import wait_until

KH_TEST = LogDraft(LogKind.KH_TEST.value, {}, {"kh": "kh_dkh"})


@dataclass
class Marked:
    """What the buttons of a hub need, of a test."""

    home: Home
    nudged: threading.Event = field(default_factory=threading.Event)

    @property
    def marking(self) -> Marking:
        return Marking(self.home.registry, self.home.clock, self.nudged.set)

    def state(self, code: str) -> str:
        (one,) = (
            each
            for each in Ledger(self.home.registry).list("reed", tuple(State))
            if each.finding.code == code
        )
        return one.state.value


def test_buttons_mark_what_to_do_first_and_nothing_else(
    home: Home, start_mosquitto: Start, tmp_path: Path
) -> None:
    broker = start_mosquitto(tmp_path)
    marked = Marked(home)
    ledger = Ledger(home.registry)
    view = at(NOON)
    change = LogDraft(LogKind.WATER_CHANGE.value, {"fraction": 0.5})
    findings = [
        replace(finding("water", Severity.URGENT), log=change),
        replace(finding("test", Severity.WARNING), log=KH_TEST),
        finding("prune", Severity.ADVICE),
    ]
    with (
        hub(broker.url, marking=marked.marking) as integration,
        Hubbish(broker.port) as reader,
    ):

        def evaluated() -> None:
            open_codes = {one.finding.code for one in ledger.list("reed", [State.OPEN])}
            still = [one for one in findings if one.code in open_codes or not open_codes]
            integration.update(view, ledger.update(view, still))

        evaluated()
        wait_until(lambda: reader.follows() and reader.entity("done").is_available)
        old = reader.entity("done").component["payload_press"]
        reader.press("done")
        wait_until(lambda: marked.state("water") == "done")
        assert marked.nudged.wait(60)
        (entry,) = home.registry.log("reed", kinds=[LogKind.WATER_CHANGE], limit=1)
        assert (entry.data["fraction"], entry.by) == (0.5, "rooms")
        record = home.registry.audit(limit=1)[0]
        assert (record.actor.kind, record.actor.name) == (ActorKind.HUB, "rooms")

        # One that needs a number can be put off, not done.
        evaluated()
        wait_until(lambda: not reader.entity("done").is_available)
        wait_until(lambda: reader.entity("not_now").component["payload_press"] != old)
        reader.press("done")
        event = reader.entity("event")
        wait_until(lambda: bool(event.states) and event.events[-1]["event_type"] == "refused")
        assert event.events[-1]["reason"] == (
            "its log entry needs kh: mark it as done on the tank's page"
        )
        assert marked.state("test") == "open"
        reader.press("not_now")
        wait_until(lambda: marked.state("test") == "snoozed")

        # Neither one that was pressed before, nor one of another tank, nor any text.
        foreign = reader.entity("not_now").component["command_topic"].replace("reed", "fern")
        prune = next(one for one in ledger.list("reed") if one.finding.code == "prune")
        reader.client.publish(foreign, prune.id, 1)
        for odd in ("x" * 1000, "", old, "no-such-id"):  # presses are taken in this order
            reader.press("not_now", odd)
        wait_until(lambda: event.events[-1].get("id") == "no-such-id")
        assert (marked.state("prune"), marked.state("water")) == ("open", "done")
        # A retained press would come again with every connection: it is none, and is removed.
        topic = reader.entity("not_now").component["command_topic"]
        publish.single(topic, prune.id, 1, True, "127.0.0.1", broker.port)
        wait_until(lambda: topic not in retained_at(broker.port))
        reader.press("not_now", "one-after-it")
        wait_until(lambda: event.events[-1].get("id") == "one-after-it")
        assert marked.state("prune") == "open"


def test_buttons_can_be_switched_off(home: Home, start_mosquitto: Start, tmp_path: Path) -> None:
    broker = start_mosquitto(tmp_path)
    options = HubOptions(buttons=False)
    with (
        hub(broker.url, options, Marked(home).marking) as integration,
        Hubbish(broker.port) as reader,
    ):
        scheduler = home.scheduler(integration)
        scheduler.evaluate_all()
        wait_until(reader.follows)
        assert "littoral-reed-done" not in reader.entities
        (first, *_) = Ledger(home.registry).list("reed")
        for key in ("done", "not_now"):
            reader.client.publish(f"littoral/$hub/littoral/reed/{key}/press", first.id, 1)
        scheduler.evaluate_all()
        wait_until(lambda: reader.state("first") is not None)
        assert Ledger(home.registry).get(first.id).state is State.OPEN


@pytest.mark.parametrize("options", [BY_ENTITY, BY_DEVICE], ids=["entity", "device"])
def test_buttons_that_were_switched_off_are_gone_at_the_next_start(
    home: Home, start_mosquitto: Start, tmp_path: Path, options: HubOptions
) -> None:
    broker = start_mosquitto(tmp_path)
    marking = Marked(home).marking

    def buttons() -> set[str]:
        return {
            topic
            for topic, payload in retained_at(broker.port).items()
            if "/button/" in topic or "/done/" in topic or "payload_press" in payload
        }

    with hub(broker.url, options, marking) as integration:
        home.scheduler(integration).evaluate_all()
        wait_until(lambda: len(buttons()) >= 2)
    with hub(broker.url, replace(options, buttons=False), marking) as integration:
        home.scheduler(integration).evaluate_all()
        wait_until(lambda: buttons() == set(), why=lambda: str(buttons()))
