"""The watch and its advice over a real broker."""

from __future__ import annotations

import json
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from pathlib import Path

import paho.mqtt.client as mqtt
import pytest
from paho.mqtt.enums import CallbackAPIVersion

from service.advice.engine.ledger import Ledger
from service.advice.engine.scheduler import STATUS_NAME, Scheduler
from service.config import MqttConfig
from service.integrations.mqtt_advice import MqttAdvice
from service.registry.models import LogKind, WaterChangePlan
from service.registry.registry import Registry, open_registry
from service.store.model import Reading
from service.store.sqlite.store import SqliteStore
from tests.derive.pieces import NOON, a_tank, days_of, gassed
from tests.integrations.retained import retained_at
from tests.servers import Mosquitto

HOUR = timedelta(hours=1)


@dataclass
class StepClock:
    """A clock that the test moves."""

    moment: datetime = NOON

    def now(self) -> datetime:
        return self.moment


@dataclass
class Listener:
    """What a broker holds and sends below ``littoral/``."""

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

    def standing(self) -> dict[str, str]:
        return {topic: text for topic, text in self.messages.items() if text}


def wait_for(what: Callable[[], bool], seconds: float = 10.0) -> None:
    end = time.monotonic() + seconds
    while not what():
        assert time.monotonic() < end, "it did not happen"
        time.sleep(0.02)


@dataclass
class House:
    registry: Registry
    store: SqliteStore
    clock: StepClock


@pytest.fixture
def house(tmp_path: Path) -> Iterator[House]:
    """A tank with too little CO2 and an empty log; three days of readings."""
    registry = open_registry(f"sqlite:///{tmp_path / 'registry.db'}")
    store = SqliteStore.from_url(f"sqlite:///{tmp_path / 'readings.db'}")
    registry.put_tank(a_tank())
    registry.add_log("reed", LogKind.WATER_CHANGE, NOON - 3 * 24 * HOUR, {"fraction": 0.5})
    series = days_of(NOON, days=3, co2=lambda t: gassed(t, high=14.0))
    for quantity, one in series.items():
        pairs = zip(one.time_us.tolist(), one.value.tolist(), strict=True)
        store.write([Reading("reed", quantity, "s", at, value) for at, value in pairs])
    yield House(registry, store, StepClock())
    store.close()
    registry.close()


def scheduler(house: House, *outlets: MqttAdvice) -> Scheduler:
    return Scheduler(house.registry, house.store, house.clock, 60.0, outlets)


def test_a_look_fills_the_ledger(house: House) -> None:
    changes = scheduler(house).evaluate_all()
    assert "co2-low" in {one.finding.code for one in changes["reed"].opened}
    standing = Ledger(house.registry).list("reed")
    assert {one.id for one in standing} == {one.id for one in changes["reed"].current}
    again = scheduler(house).evaluate_all()["reed"]
    assert again.opened == () and again.cleared == ()


def test_advice_is_retained_at_the_broker_and_emptied_when_it_clears(
    house: House, start_mosquitto: Callable[..., Mosquitto], tmp_path: Path
) -> None:
    broker = start_mosquitto(tmp_path, "")
    outlet = MqttAdvice(MqttConfig(url=broker.url))
    outlet.start()
    running = scheduler(house, outlet)
    with Listener(broker.port) as early:
        wait_for(lambda: outlet._client.is_connected())
        house.registry.put_tank(a_tank(water_change=WaterChangePlan(every_days=1)))
        running.evaluate_all()
        wait_for(lambda: "littoral/reed/advice/summary" in early.messages)
        due = json.loads(early.messages["littoral/reed/advice/water-change-due"])
        assert due["severity"] == "warning"
        assert due["amounts"][0] == {"name": "water", "value": 90.0, "unit": "L"}
        assert due["first_seen"] == "2026-03-10T12:00:00Z"
        summary = json.loads(early.messages["littoral/reed/advice/summary"])
        assert summary["open"] == len(early.standing()) - 1
        assert summary["worst"] == "warning"

        with Listener(broker.port) as late:  # retained: who comes later sees it too
            wait_for(lambda: late.messages == early.messages)

        before = early.count
        running.evaluate_all()
        house.registry.add_log("reed", LogKind.WATER_CHANGE, NOON, {"fraction": 0.5})
        for dose in ({"name": "macro", "ml": 18.0}, {"name": "iron", "g": 0.36}):
            house.registry.add_log("reed", LogKind.DOSE, NOON, dose)
        running.evaluate_all()
        wait_for(lambda: early.messages["littoral/reed/advice/water-change-due"] == "")
        wait_for(
            lambda: (
                json.loads(early.messages["littoral/reed/advice/summary"])["open"]
                == summary["open"] - 1
            )
        )
        assert early.count <= before + 4  # nothing but what changed was sent again
    outlet.stop()


def test_what_an_earlier_run_left_is_emptied(
    house: House, start_mosquitto: Callable[..., Mosquitto], tmp_path: Path
) -> None:
    broker = start_mosquitto(tmp_path, "")
    with Listener(broker.port) as listener:
        for topic in ("littoral/reed/advice/light-dead", "littoral/fern/advice/light-dead"):
            listener.client.publish(topic, '{"old":true}', 1, retain=True)
        wait_for(lambda: len(listener.standing()) == 2)
        outlet = MqttAdvice(MqttConfig(url=broker.url))
        outlet.start()
        wait_for(lambda: outlet._client.is_connected())
        scheduler(house, outlet).evaluate_all()
        wait_for(lambda: listener.messages["littoral/reed/advice/light-dead"] == "")
        outlet.stop()
        # A tank that is not ours is left alone: another service may share the broker.
        assert "littoral/fern/advice/light-dead" in retained_at(broker.port)


def test_a_broker_that_comes_back_empty_gets_everything_again(
    house: House, start_mosquitto: Callable[..., Mosquitto], tmp_path: Path
) -> None:
    broker = start_mosquitto(tmp_path, "")
    outlet = MqttAdvice(MqttConfig(url=broker.url))
    outlet.start()
    wait_for(lambda: outlet._client.is_connected())
    scheduler(house, outlet).evaluate_all()
    broker.restart()
    with Listener(broker.port) as listener:
        wait_for(lambda: "littoral/reed/advice/co2-low" in listener.standing(), 40)
    outlet.stop()


def test_a_deleted_tank_is_withdrawn(
    house: House, start_mosquitto: Callable[..., Mosquitto], tmp_path: Path
) -> None:
    broker = start_mosquitto(tmp_path, "")
    outlet = MqttAdvice(MqttConfig(url=broker.url))
    outlet.start()
    wait_for(lambda: outlet._client.is_connected())
    running = scheduler(house, outlet)
    with Listener(broker.port) as listener:
        running.evaluate_all()
        wait_for(lambda: len(listener.standing()) > 1)
        house.registry.delete_tank("reed")
        running.evaluate_all()
        wait_for(lambda: listener.standing() == {})
    outlet.stop()


def test_runs_in_a_thread_is_nudged_and_reports(house: House) -> None:
    stop = threading.Event()
    running = scheduler(house)
    thread = threading.Thread(target=running.run, args=(stop,))
    thread.start()
    wait_for(lambda: STATUS_NAME in house.registry.statuses())
    first = house.registry.statuses()[STATUS_NAME]
    assert first["tanks"] == 1 and first["error"] is None
    house.clock.moment += HOUR
    running.nudge()
    wait_for(lambda: house.registry.statuses()[STATUS_NAME]["time"] != first["time"])
    stop.set()
    thread.join(5)
    assert not thread.is_alive()


def test_one_odd_tank_leaves_the_others_watched(
    house: House, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    from service.advice.engine import scheduler as module

    house.registry.put_tank(a_tank(id="fern"))
    real = module.evaluate

    def odd(view, standing):  # type: ignore[no-untyped-def]
        if view.tank.id == "fern":
            raise ZeroDivisionError("an oddity")
        return real(view, standing)

    monkeypatch.setattr(module, "evaluate", odd)
    changes = scheduler(house).evaluate_all()
    assert set(changes) == {"reed"}
    assert "advice on tank fern failed" in caplog.text


def test_a_store_that_is_away_leaves_the_ledger_as_it_is(house: House) -> None:
    from service.errors import StoreUnavailableError

    scheduler(house).evaluate_all()
    before = Ledger(house.registry).list("reed")

    class Away(SqliteStore):
        def series(self, tank: str | None = None):  # type: ignore[no-untyped-def]
            raise StoreUnavailableError("away")

    away = Away(house.store._path)
    stop = threading.Event()
    running = Scheduler(house.registry, away, house.clock, 60.0)
    thread = threading.Thread(target=running.run, args=(stop,))
    thread.start()
    wait_for(lambda: house.registry.statuses().get(STATUS_NAME, {}).get("error") == "away")
    stop.set()
    thread.join(5)
    away.close()
    assert Ledger(house.registry).list("reed") == before
