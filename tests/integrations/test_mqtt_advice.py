"""Advice as retained messages at a real broker."""

from __future__ import annotations

import json
from collections.abc import Callable
from contextlib import AbstractContextManager
from dataclasses import dataclass, field
from datetime import timedelta
from pathlib import Path

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

from service.config import HubOptions, MqttConfig
from service.integrations.hub.publisher import Hub
from service.integrations.mqtt_advice import MqttAdvice
from service.registry.models.log import LogKind
from service.registry.models.plans import WaterChangePlan
from tests.derive.pieces import NOON, a_tank
from tests.integrations.conftest import Home
from tests.integrations.connected import connected
from tests.integrations.relay import Relay
from tests.integrations.retained import retained_at
from tests.servers import Mosquitto, wait_until

LIVENESS = "littoral/$advice/littoral-ingest"
Start = Callable[..., Mosquitto]


@dataclass
class Listener:
    """What a broker sends below ``littoral/``: the last payload by topic."""

    port: int
    messages: dict[str, str] = field(default_factory=dict)
    count: int = 0

    def __enter__(self) -> Listener:
        self.client = mqtt.Client(CallbackAPIVersion.VERSION2)
        self.client.on_message = self._take
        self.client.on_connect = lambda client, *_: client.subscribe("littoral/+/advice/#", 1)
        self.client.connect("127.0.0.1", self.port)
        self.client.loop_start()
        return self

    def __exit__(self, *_: object) -> None:
        self.client.disconnect()
        self.client.loop_stop()

    def _take(self, _: object, __: object, message: mqtt.MQTTMessage) -> None:
        self.count += 1
        self.messages[message.topic] = message.payload.decode()

    def retained(self) -> dict[str, str]:
        """Those that were not emptied."""
        return {topic: text for topic, text in self.messages.items() if text}


def mqtt_advice(
    broker: Mosquitto, client_id: str = "littoral-ingest", lifetime_s: float = 60.0
) -> AbstractContextManager[MqttAdvice]:
    return connected(MqttAdvice(MqttConfig(url=broker.url, client_id=client_id), lifetime_s))


def test_advice_is_retained_at_the_broker_and_emptied_when_it_clears(
    home: Home, start_mosquitto: Start, tmp_path: Path
) -> None:
    broker = start_mosquitto(tmp_path, "")
    with mqtt_advice(broker) as advice, Listener(broker.port) as early:
        scheduler = home.scheduler(advice)
        home.registry.put_tank(a_tank(water_change=WaterChangePlan(every_days=1)))
        scheduler.evaluate_all()
        wait_until(lambda: "littoral/reed/advice/summary" in early.messages)
        due = json.loads(early.messages["littoral/reed/advice/water-change-due"])
        assert due["severity"] == "warning"
        assert due["amounts"][0] == {"name": "water", "value": 90.0, "unit": "L"}
        assert due["first_seen"] == "2026-03-10T12:00:00Z"
        summary = json.loads(early.messages["littoral/reed/advice/summary"])
        assert summary["open"] == len(early.retained()) - 1
        assert summary["severity"] == "warning"  # by the name that recommendations have
        # who comes later sees it too, and that it counts
        assert retained_at(broker.port) == {**early.messages, LIVENESS: "online"}

        before = early.count
        scheduler.evaluate_all()
        home.registry.add_log("reed", LogKind.WATER_CHANGE, NOON, {"fraction": 0.5})
        for dose in ({"name": "macro", "ml": 18.0}, {"name": "iron", "g": 0.36}):
            home.registry.add_log("reed", LogKind.DOSE, NOON, dose)
        scheduler.evaluate_all()
        wait_until(lambda: early.messages["littoral/reed/advice/water-change-due"] == "")
        wait_until(
            lambda: (
                json.loads(early.messages["littoral/reed/advice/summary"])["open"]
                == summary["open"] - 1
            )
        )
        assert early.count <= before + 4  # nothing but what changed was sent again


def test_words_that_only_count_on_are_not_published_again(
    home: Home, start_mosquitto: Start, tmp_path: Path
) -> None:
    """Silent for 61 min, then for 62: nobody would act differently, no automation shall fire."""
    broker = start_mosquitto(tmp_path, "")
    with mqtt_advice(broker) as advice, Listener(broker.port) as listener:
        scheduler = home.scheduler(advice)
        home.clock.moment = NOON + timedelta(minutes=61)
        first = scheduler.evaluate_all()["reed"].current
        summary = "littoral/reed/advice/summary"
        wait_until(lambda: summary in listener.messages)
        before, texts = listener.count, dict(listener.messages)
        for minutes in (62, 63, 64):
            home.clock.moment = NOON + timedelta(minutes=minutes)
            later = scheduler.evaluate_all()["reed"].current
        assert {one.finding.title for one in first} != {one.finding.title for one in later}
        # What comes last is seen last: after it nothing is on its way.
        home.registry.put_tank(a_tank(id="fern"))
        scheduler.evaluate_all()
        wait_until(lambda: "littoral/fern/advice/summary" in listener.messages)
        mine = {one for one in listener.messages if one.startswith("littoral/reed/")}
        assert {topic: listener.messages[topic] for topic in mine} == texts
        assert listener.count - before == len(listener.messages) - len(mine)


def test_what_an_earlier_run_left_is_emptied(
    home: Home, start_mosquitto: Start, tmp_path: Path
) -> None:
    broker = start_mosquitto(tmp_path, "")
    with Listener(broker.port) as listener:
        for topic in ("littoral/reed/advice/light-dead", "littoral/fern/advice/light-dead"):
            listener.client.publish(topic, '{"old":true}', 1, retain=True)
        wait_until(lambda: len(listener.retained()) == 2)
        with mqtt_advice(broker) as advice:
            home.scheduler(advice).evaluate_all()
            wait_until(lambda: listener.messages["littoral/reed/advice/light-dead"] == "")
        # A tank that is not ours is left alone: another service may share the broker.
        assert "littoral/fern/advice/light-dead" in retained_at(broker.port)


def test_a_tank_that_was_deleted_between_two_runs_is_withdrawn(
    home: Home, start_mosquitto: Start, tmp_path: Path
) -> None:
    broker = start_mosquitto(tmp_path, "")
    home.registry.put_tank(a_tank(id="fern"))
    with mqtt_advice(broker) as advice:
        home.scheduler(advice).evaluate_all()
        # A tank's summary is published after its recommendations.
        wait_until(lambda: "littoral/fern/advice/summary" in retained_at(broker.port))
    left = {topic for topic in retained_at(broker.port) if topic.startswith("littoral/fern/")}
    assert len(left) > 1
    summary = "littoral/pond/advice/summary"
    with Listener(broker.port) as listener:
        listener.client.publish("littoral/pond/advice/light-dead", "{}", 1, retain=True)
        document = json.dumps({"tank": "pond", "publisher": "another-service"})
        listener.client.publish(summary, document, 1, retain=True)
        wait_until(lambda: {summary, *left} <= set(listener.messages))
        home.registry.delete_tank("fern")
        with mqtt_advice(broker) as advice:
            home.scheduler(advice).evaluate_all()
            wait_until(lambda: left.isdisjoint(listener.retained()))
        tanks = {topic.split("/")[1] for topic in retained_at(broker.port)}
        assert tanks == {"reed", "pond", "$advice"}
        assert {summary, "littoral/pond/advice/light-dead"} <= set(retained_at(broker.port))


def test_an_integration_called_advice_has_a_connection_of_its_own(
    home: Home, start_mosquitto: Start, tmp_path: Path
) -> None:
    broker = start_mosquitto(tmp_path, "")
    hub = Hub("advice", HubOptions(), MqttConfig(url=broker.url), 60.0)
    with mqtt_advice(broker) as advice:
        hub.start()
        try:
            wait_until(lambda: hub.is_connected and advice.is_connected)
            home.scheduler(advice, hub).evaluate_all()
            wanted = {
                "littoral/reed/advice/summary",
                "homeassistant/sensor/littoral-reed/first/config",
            }
            wait_until(lambda: wanted <= set(retained_at(broker.port)))
            # A broker ends a connection when another comes with the same client id.
            assert hub.is_connected and advice.is_connected
        finally:
            hub.stop()


def test_a_broker_that_comes_back_empty_gets_everything_again(
    home: Home, start_mosquitto: Start, tmp_path: Path
) -> None:
    broker = start_mosquitto(tmp_path, "")
    with mqtt_advice(broker) as advice:
        home.scheduler(advice).evaluate_all()
        broker.restart()
        with Listener(broker.port) as listener:
            wait_until(lambda: "littoral/reed/advice/co2-low" in listener.retained())


def test_a_deleted_tank_is_withdrawn(home: Home, start_mosquitto: Start, tmp_path: Path) -> None:
    broker = start_mosquitto(tmp_path, "")
    with mqtt_advice(broker) as advice, Listener(broker.port) as listener:
        scheduler = home.scheduler(advice)
        scheduler.evaluate_all()
        wait_until(lambda: len(listener.retained()) > 1)
        home.registry.delete_tank("reed")
        scheduler.evaluate_all()
        wait_until(lambda: listener.retained() == {})


def test_advice_counts_only_while_the_tanks_are_evaluated(
    home: Home, start_mosquitto: Start, tmp_path: Path
) -> None:
    """Read by a subscriber, since a retained summary alone says nothing of whether it is old."""
    broker = start_mosquitto(tmp_path, "")

    def liveness(expected: str | None) -> None:
        wait_until(lambda: retained_at(broker.port, "littoral/$advice/#").get(LIVENESS) == expected)

    with mqtt_advice(broker, lifetime_s=0.5) as advice:
        liveness(None)  # not evaluated yet
        home.scheduler(advice).evaluate_all()
        liveness("offline")  # evaluations have ended, the process has not
        home.scheduler(advice).evaluate_all()
    with mqtt_advice(broker) as advice:
        home.scheduler(advice).evaluate_all()
        liveness("online")
    liveness("offline")
    for tank in home.registry.tank_ids():
        home.registry.delete_tank(tank)
    with mqtt_advice(broker) as advice:  # there is nothing to evaluate, and that is in order
        home.scheduler(advice).evaluate_all()
        liveness("online")


def test_a_service_that_is_lost_is_offline_by_its_will(
    home: Home, start_mosquitto: Start, tmp_path: Path
) -> None:
    broker = start_mosquitto(tmp_path, "")
    seen: list[str] = []
    with Relay(broker.port) as relay, Listener(broker.port) as listener:
        advice = MqttAdvice(MqttConfig(url=f"mqtt://127.0.0.1:{relay.port}"), 60.0)
        advice.start()
        wait_until(lambda: advice.is_connected)
        listener.client.message_callback_add(
            LIVENESS, lambda *args: seen.append(args[2].payload.decode())
        )
        listener.client.subscribe(LIVENESS, 1)
        home.scheduler(advice).evaluate_all()
        wait_until(lambda: seen == ["online"])
        relay.break_connections()  # it comes back by itself
        wait_until(lambda: "offline" in seen and seen[-1] == "online", why=lambda: f"heard {seen}")
        advice.stop()
