"""Two processes that share the tanks publish each of them once, and take each other's over."""

from __future__ import annotations

import json
import socket
from collections.abc import Callable, Collection, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import paho.mqtt.publish as publish

from service.advice.engine.history.ledger import Ledger
from service.advice.engine.scheduler import Scheduler
from service.advice.sharing.leases import AllTanks, Moved
from service.config import HomieOptions, HubOptions, MqttConfig
from service.integrations.homie.publisher import Homie
from service.integrations.hub.presses import Marking
from service.integrations.hub.publisher import Hub
from service.integrations.metrics.exposition import Metrics
from service.integrations.mqtt_advice import MqttAdvice
from service.registry.models.partitions import partition_of
from service.registry.models.recommendations import State
from tests.derive.pieces import a_tank
from tests.integrations.conftest import Home
from tests.integrations.retained import retained_at
from tests.servers import Server, wait_until


class Part(AllTanks):
    """Leases that a test hands out."""

    def __init__(self, *own: str, leads: bool) -> None:
        self.own, self.leads, self._lost = set(own), leads, set[str]()

    def loses(self, tanks: Collection[str]) -> None:
        self.own -= set(tanks)
        self._lost |= {partition_of(tank) for tank in tanks}

    def tend(self, *, may_give: bool = False, at_once: bool = False) -> Moved:
        moved, self._lost = Moved(lost=frozenset(self._lost)), set()
        return moved

    def holds(self, tank: str) -> bool:
        return tank in self.own

    def does_upkeep(self) -> bool:
        return self.leads


@dataclass
class Process:
    """What one process has of the integrations over MQTT."""

    home: Home
    name: str
    port: int
    leases: Part
    made: list[Any] = field(default_factory=list)

    def start(self) -> None:
        config = MqttConfig(f"mqtt://127.0.0.1:{self.port}", client_id=self.name)
        marking = Marking(self.home.registry, self.home.clock, lambda: None)
        metrics = Metrics(self.home.store, self.home.registry, self.home.clock, 600.0)
        self.made = [
            MqttAdvice(config, 600.0, leases=self.leases, publishers=lambda: {"a", "b"}),
            Hub("hub", HubOptions(), config, 600.0, marking, None, self.leases),
            Homie("homie", HomieOptions(), config, 600.0, leases=self.leases),
            metrics,
        ]
        given = self.home.registry, self.home.store, self.home.clock, 60.0, self.made
        self.scheduler = Scheduler(*given, leases=self.leases)
        for one in self.made:
            one.start()
        wait_until(lambda: all(one.is_connected for one in self.made[:3]))

    def cut(self) -> None:
        """Break its connections, which it makes anew by itself."""
        for one in self.made[:3]:
            one._topics._client.socket().shutdown(socket.SHUT_RDWR)

    def stop(self) -> None:
        for one in self.made:
            one.stop()


@contextmanager
def two(home: Home, port: int) -> Iterator[tuple[Process, Process]]:
    first = Process(home, "a", port, Part("reed", leads=True))
    second = Process(home, "b", port, Part("fern", leads=False))
    home.registry.put_tank(replace(a_tank(), id="fern"))
    try:
        for one in (first, second):
            one.start()
        first.scheduler.evaluate_all()
        second.scheduler.evaluate_all()
        # The one that publishes the root device hears of the other one's tanks.
        wait_until(lambda: "littoral-fern" in first.made[2]._announced)
        first.scheduler.evaluate_all()
        yield first, second
    finally:
        first.stop()
        second.stop()


def publishers(found: dict[str, str]) -> dict[str, set[str]]:
    """Who publishes each tank: by the summary, and by what the hub's entities depend on."""
    named: dict[str, set[str]] = {}
    for tank in ("reed", "fern"):
        summary = json.loads(found[f"littoral/{tank}/advice/summary"])["publisher"]
        config = json.loads(found[f"homeassistant/button/littoral-{tank}/done/config"])
        status = config["availability"][0]["topic"]
        named[tank] = {summary, status.removeprefix("littoral/$hub/littoral/$status/")}
    return named


def at_the_broker(port: int, true: Callable[[dict[str, str]], bool]) -> dict[str, str]:
    """All that is retained, once something is true of it."""
    found: dict[str, str] = {}

    def check() -> bool:
        found.clear()
        found.update(retained_at(port))
        try:
            return true(found)
        except KeyError:
            return False

    wait_until(check, 60, lambda: str(found))
    return found


def test_each_publishes_its_own_and_takes_over_what_the_other_one_loses(
    home: Home, mosquitto: Server
) -> None:
    port = mosquitto.port
    with two(home, port) as (first, second):
        root = "homie/5/littoral"
        children = ["littoral-fern", "littoral-reed"]
        found = at_the_broker(
            port, lambda now: json.loads(now[f"{root}/$description"])["children"] == children
        )
        assert publishers(found) == {"reed": {"a"}, "fern": {"b"}}
        assert found[f"{root}/$state"] == found[f"{root}-fern/$state"] == "ready"
        assert [one.mended for one in (*first.made, *second.made)] == [0] * 8

        # The first one stood still: the other one has taken over, and it knows nothing of that.
        first.leases.loses({"reed"})
        first.leases.leads = False
        second.leases.own.add("reed")
        second.leases.leads = True
        for _ in range(2):
            second.scheduler.evaluate_all()
        at_the_broker(port, lambda now: publishers(now) == {"reed": {"b"}, "fern": {"b"}})
        first.cut()
        wait_until(lambda: not any(one._topics.messages("reed") for one in first.made[:2]))
        wait_until(lambda: not first.made[2]._topics.messages("littoral-reed"))
        wait_until(lambda: all(one.is_connected for one in first.made[:3]))
        first.scheduler.evaluate_all()
        found = at_the_broker(port, lambda now: now[f"{root}/$state"] == "ready")
        assert publishers(found) == {"reed": {"b"}, "fern": {"b"}}
        assert found[f"{root}-reed/$state"] == "ready"
        assert b'tank="reed"' not in b"".join(_advice_lines(first))
        assert any(b'tank="reed"' in line for line in _advice_lines(second))

        # Its end says nothing of tanks that are another one's.
        first.stop()
        found = at_the_broker(port, lambda now: now["littoral/$advice/a"] == "offline")
        assert found["littoral/$advice/b"] == "online"
        assert found[f"{root}/$state"] == found[f"{root}-reed/$state"] == "ready"


def test_what_is_deleted_while_its_process_is_gone_is_withdrawn_by_another_one(
    home: Home, start_mosquitto: Callable[..., Server], tmp_path: Path
) -> None:
    port = start_mosquitto(tmp_path).port
    foreign = "littoral/pond/advice/summary"
    publish.single(foreign, '{"publisher": "c"}', 1, True, "127.0.0.1", port)
    with two(home, port) as (first, second):
        at_the_broker(port, lambda now: publishers(now) == {"reed": {"a"}, "fern": {"b"}})
        first.stop()
        home.registry.delete_tank("reed")
        second.scheduler.evaluate_all()
        reed = "littoral/reed/advice/"
        assert any(one.startswith(reed) for one in retained_at(port)), "it has not the lease yet"
        second.leases.own |= {"reed", "pond"}
        second.leases.leads = True
        second.scheduler.evaluate_all()
        found = at_the_broker(port, lambda now: not any(one.startswith(reed) for one in now))
        assert foreign in found and "littoral/fern/advice/summary" in found
        assert set(second.made[0]._signed_by) == {"pond"}, "what is withdrawn is forgotten"


def _advice_lines(one: Process) -> list[bytes]:
    text, _ = one.made[3].exposition("text/plain")
    return [line for line in text.splitlines() if line.startswith(b"littoral_advice_open")]


def test_a_press_is_taken_by_the_one_that_publishes_the_tank(home: Home, mosquitto: Server) -> None:
    with two(home, mosquitto.port):
        (one, *_) = [
            each for each in Ledger(home.registry).list("fern") if each.state is State.OPEN
        ]
        topic = "littoral/$hub/littoral/fern/not_now/press"
        publish.single(topic, one.id, 1, hostname="127.0.0.1", port=mosquitto.port)
        wait_until(lambda: Ledger(home.registry).get(one.id).state is State.SNOOZED)
    # Both have ended, and with them all that they would still have marked.
    records = home.registry.audit(subject=f"tanks/fern/recommendations/{one.id}")
    assert len(records) == 1
