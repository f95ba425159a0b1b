"""Devices of deleted tanks, of earlier runs, and of a service that ends or loses its broker."""

from __future__ import annotations

import subprocess
import sys
import time
from pathlib import Path

import paho.mqtt.publish as publish
import pytest

from service.integrations.homie import publisher
from tests.derive.pieces import a_tank
from tests.integrations.conftest import Home
from tests.integrations.homie.publishing import REED, Start, complete, homie, ready
from tests.integrations.homie.reader import Reader
from tests.servers import wait_until


def test_a_deleted_tank_is_removed(home: Home, start_mosquitto: Start, tmp_path: Path) -> None:
    broker = start_mosquitto(tmp_path)
    with homie(broker) as integration, Reader(broker.port) as reader:
        scheduler = home.scheduler(integration)
        scheduler.evaluate_all()
        wait_until(complete(reader))
        home.registry.delete_tank("reed")
        scheduler.evaluate_all()
        wait_until(lambda: reader.holds(lambda one: REED not in str(one.retained)))
        wait_until(lambda: reader.is_complete())  # the root, without children
        reader.check()


def test_what_an_earlier_run_left_is_taken_down(
    home: Home, start_mosquitto: Start, tmp_path: Path
) -> None:
    broker = start_mosquitto(tmp_path)
    home.registry.put_tank(a_tank(id="fern"))
    with homie(broker) as integration:
        home.scheduler(integration).evaluate_all()
    other = '{"homie":"5.0","version":1,"root":"littoral-two","name":"x"}'
    mine = f"homie/5/{REED}/$alert/old"
    for topic, payload in (
        ("homie/5/littoral-two-pond/$description", other),
        ("homie/5/littoral-two-pond/$alert/low", "Not ours."),
        ("homie/5/littoral-torn/$description", "{"),
        (mine, "No longer true."),
    ):
        publish.single(topic, payload, 1, retain=True, port=broker.port, hostname="127.0.0.1")
    home.registry.delete_tank("fern")
    foreign = {
        "homie/5/littoral-two-pond/$description": other,
        "homie/5/littoral-two-pond/$alert/low": "Not ours.",
        "homie/5/littoral-torn/$description": "{",
    }
    with Reader(broker.port) as reader:
        before = {*foreign, mine, "homie/5/littoral-fern/$state"}
        wait_until(lambda: reader.holds(lambda one: before <= set(one.retained)))
        with homie(broker) as integration:
            home.scheduler(integration).evaluate_all()
            wait_until(lambda: reader.holds(lambda one: "littoral-fern" not in str(one.retained)))
            wait_until(lambda: reader.holds(lambda one: mine not in one.retained))
        # Goodbye comes after all that the integration published.
        wait_until(lambda: reader.holds(lambda one: one.state("littoral") == "disconnected"))
        for topic, payload in foreign.items():
            assert reader.retained[topic] == payload


def test_goodbye_is_disconnected_and_descriptions_rise_over_restarts(
    home: Home, start_mosquitto: Start, tmp_path: Path
) -> None:
    broker = start_mosquitto(tmp_path)
    with Reader(broker.port) as reader:
        with homie(broker) as integration:
            home.scheduler(integration).evaluate_all()
            wait_until(complete(reader))
        wait_until(lambda: reader.holds(lambda one: one.state("littoral") == "disconnected"))
        assert reader.state(REED) == "disconnected"
        home.registry.put_tank(a_tank(name="Renamed"))
        with homie(broker) as integration:
            home.scheduler(integration).evaluate_all()
            wait_until(complete(reader))
            reader.check()
            assert reader.devices[REED].description["name"] == "Renamed"  # type: ignore[index]


class SetTime:
    """``time`` with ``monotonic`` as a test sets it."""

    time_ns = staticmethod(time.time_ns)

    def __init__(self) -> None:
        self.now_s = 0.0

    def monotonic(self) -> float:
        return self.now_s


def test_a_tank_that_nobody_looks_at_any_more_is_lost(
    home: Home, start_mosquitto: Start, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    clock = SetTime()
    monkeypatch.setattr(publisher, "time", clock)
    broker = start_mosquitto(tmp_path)
    with homie(broker, lifetime_s=1.0) as integration, Reader(broker.port) as reader:
        scheduler = home.scheduler(integration)
        scheduler.evaluate_all()
        wait_until(complete(reader))
        clock.now_s = 1.1
        wait_until(lambda: reader.holds(lambda one: one.state(REED) == "lost"))
        assert reader.devices[REED].values == {}
        scheduler.evaluate_all()
        wait_until(ready(reader))
        assert reader.devices[REED].value("water/temperature") == pytest.approx(24.0)
        reader.check()


CRASH = """
import os, sys, time
from service.config import HomieOptions, MqttConfig
from service.integrations.homie.publisher import Homie
homie = Homie("crash", HomieOptions(), MqttConfig(url=sys.argv[1]), 60.0)
homie.start()
while not homie.is_connected:
    time.sleep(0.02)
for _ in range(2):  # an evaluation that has failed for the tank, and the next one
    homie.retain_only(frozenset({"reed"}))
print("up", flush=True)
time.sleep(60)
"""


def test_the_last_will_says_lost_and_takes_the_tanks_with_it(
    home: Home, start_mosquitto: Start, tmp_path: Path
) -> None:
    broker = start_mosquitto(tmp_path)
    with homie(broker) as integration:
        home.scheduler(integration).evaluate_all()
    publish.single(
        f"homie/5/{REED}/$state", "ready", 1, retain=True, port=broker.port, hostname="127.0.0.1"
    )
    with Reader(broker.port) as reader:
        child = subprocess.Popen(
            [sys.executable, "-c", CRASH, broker.url], stdout=subprocess.PIPE, text=True
        )
        assert child.stdout is not None and child.stdout.readline() == "up\n"
        wait_until(ready(reader, "littoral"))
        wait_until(ready(reader))
        child.kill()
        child.wait()
        wait_until(lambda: reader.holds(lambda one: one.state("littoral") == "lost"))
        assert reader.devices[REED].state == "ready"
        assert reader.state(REED) == "lost"
        assert reader.retained["homie/5/littoral/$state"] == "lost"


def test_a_broker_that_comes_back_empty_gets_everything_again(
    home: Home, start_mosquitto: Start, tmp_path: Path
) -> None:
    broker = start_mosquitto(tmp_path)
    with homie(broker) as integration:
        home.scheduler(integration).evaluate_all()
        broker.restart()
        with Reader(broker.port) as reader:
            wait_until(complete(reader))
            reader.check()
