"""Homie over a real broker, read back by a reader that follows the convention alone."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import paho.mqtt.client as mqtt
import pytest

from service.config import HomieOptions
from service.integrations.homie.device import properties_of
from service.integrations.tank_figures import figures_of
from service.registry.models.log import LogKind
from service.registry.models.plans import WaterChangePlan
from service.science.carbonate.co2 import estimate_co2
from tests.advice.cases import view_with
from tests.derive.pieces import KH_4, NOON, a_tank
from tests.integrations.conftest import Home
from tests.integrations.homie.publishing import REED, Start, complete, homie, ready
from tests.integrations.homie.reader import Reader, check_description, checked
from tests.servers import wait_until


def test_a_tank_is_a_device_below_the_service(
    home: Home, start_mosquitto: Start, tmp_path: Path
) -> None:
    broker = start_mosquitto(tmp_path)
    with homie(broker) as integration, Reader(broker.port) as early:
        home.scheduler(integration).evaluate_all()
        wait_until(complete(early))
        early.check()
        root, tank = early.devices["littoral"], early.devices[REED]
        assert root.description is not None and tank.description is not None
        assert root.description["children"] == [REED]
        assert "root" not in root.description and "parent" not in root.description
        assert (tank.description["root"], tank.description["parent"]) == ("littoral", "littoral")
        assert tank.description["name"] == "Reed bed"

        assert tank.property("water/temperature") == {
            "name": "Temperature", "datatype": "float", "unit": "\u00b0C",
        }  # fmt: skip
        assert "unit" not in tank.property("water/ph")
        assert tank.property("water/co2")["unit"] == "mg/L"
        assert tank.value("water/temperature") == pytest.approx(24.0)
        assert tank.value("light/lit") is True
        # 12 000 lx of a white LED at 0.0145 umol/m2/s/lx (CIE 15:2018 LED illuminants)
        assert tank.value("light/ppfd") == pytest.approx(174.0)
        # two hours of it until noon
        assert tank.value("light/dli") == pytest.approx(174.0 * 7200 / 1e6, rel=0.02)
        assert tank.value("light/photoperiod") == pytest.approx(2.0, abs=0.1)
        co2 = estimate_co2(tank.value("water/ph"), KH_4, 24.0, gh_meq_l=a_tank().gh_meq_l)
        assert tank.value("water/co2") == pytest.approx(float(co2.value), rel=1e-3)
        assert tank.value("water/co2-low") < tank.value("water/co2") < tank.value("water/co2-high")
        assert tank.value("water/co2-state") == "below"
        assert tank.value("advice/open") > 0
        assert tank.value("advice/worst") in ("info", "advice", "warning", "urgent")
        with Reader(broker.port) as late:  # all of it is retained
            wait_until(lambda: late.holds(lambda one: one.retained == early.retained))
            late.check()


def test_the_root_is_announced_once_after_the_tanks_that_it_names(
    home: Home, start_mosquitto: Start, tmp_path: Path
) -> None:
    """At the start, and again when the broker has lost everything."""
    broker = start_mosquitto(tmp_path)
    home.registry.put_tank(a_tank(id="fern"))
    home.registry.put_tank(a_tank(id="sedge"))

    def check_order(reader: Reader, *children: str) -> None:
        """The root's only description follows when all of the tanks are ready."""
        wait_until(complete(reader, *children))
        descriptions = [
            (place, json.loads(payload)["children"])
            for place, (topic, payload) in enumerate(reader.heard)
            if topic == "homie/5/littoral/$description"
        ]
        assert [named for _, named in descriptions] == [list(children)]
        for one in children:
            assert reader.heard.index((f"homie/5/{one}/$state", "ready")) < descriptions[0][0]

    with homie(broker) as integration:
        scheduler = home.scheduler(integration)
        with Reader(broker.port) as reader:
            scheduler.evaluate_all()
            check_order(reader, "littoral-fern", REED, "littoral-sedge")
        home.registry.put_tank(a_tank(id="rush"))
        scheduler.evaluate_all()
        with Reader(broker.port) as reader:  # nothing is on its way when the broker ends
            wait_until(complete(reader, "littoral-fern", REED, "littoral-rush", "littoral-sedge"))
        broker.restart()
        with Reader(broker.port) as reader:
            check_order(reader, "littoral-fern", REED, "littoral-rush", "littoral-sedge")


def test_only_what_changed_is_sent_again(
    home: Home, start_mosquitto: Start, tmp_path: Path
) -> None:
    broker = start_mosquitto(tmp_path)
    with homie(broker) as integration, Reader(broker.port) as reader:
        scheduler = home.scheduler(integration)
        scheduler.evaluate_all()
        wait_until(complete(reader))
        before = list(reader.devices[REED].states)
        home.clock.moment += timedelta(minutes=1)
        home.measure("reed", temperature=24.7)
        scheduler.evaluate_all()
        wait_until(
            lambda: reader.holds(lambda one: one.devices[REED].value("water/temperature") == 24.7)
        )
        assert reader.devices[REED].states == before
        assert len(reader.devices[REED].versions) == 1
        reader.check()


def test_a_stale_sensor_has_no_value_and_an_alert(
    home: Home, start_mosquitto: Start, tmp_path: Path
) -> None:
    broker = start_mosquitto(tmp_path)
    with homie(broker) as integration, Reader(broker.port) as reader:
        scheduler = home.scheduler(integration)
        scheduler.evaluate_all()
        wait_until(complete(reader))
        home.clock.moment = NOON + timedelta(hours=5)
        home.measure("reed", ph=6.9)
        scheduler.evaluate_all()
        tank = reader.devices[REED]
        wait_until(lambda: reader.holds(lambda _: tank.value("water/temperature") is None))
        for alert in ("no-light", "no-temperature"):
            wait_until(lambda alert=alert: reader.holds(lambda _: alert in tank.alerts))  # type: ignore[misc]
        assert tank.value("water/ph") == 6.9
        for path in ("light/lit", "light/ppfd", "light/dli", "light/photoperiod"):
            assert tank.value(path) is None, path
        assert "temperature sensor s" in tank.alerts["no-temperature"].lower()
        assert f"homie/5/{REED}/water/temperature" not in reader.retained
        home.measure("reed", temperature=23.5, illuminance=12_000.0)
        scheduler.evaluate_all()
        wait_until(lambda: reader.holds(lambda _: tank.value("water/temperature") == 23.5))
        wait_until(lambda: reader.holds(lambda _: "no-temperature" not in tank.alerts))
        reader.check()


def test_alerts_stand_while_the_advice_does(
    home: Home, start_mosquitto: Start, tmp_path: Path
) -> None:
    broker = start_mosquitto(tmp_path)
    loud = HomieOptions(alerts="info", device="house", prefix="x/y")
    with homie(broker, options=loud) as integration, Reader(broker.port, "x/y") as reader:
        scheduler = home.scheduler(integration)
        home.registry.put_tank(a_tank(water_change=WaterChangePlan(every_days=1)))
        scheduler.evaluate_all()
        wait_until(complete(reader, "house-reed", root="house"))
        tank = reader.devices["house-reed"]
        assert tank.alerts["water-change-due"].startswith("Water change due: 90 L")
        assert len(tank.alerts) == tank.value("advice/open")
        home.registry.add_log("reed", LogKind.WATER_CHANGE, NOON, {"fraction": 0.5})
        scheduler.evaluate_all()
        wait_until(lambda: reader.holds(lambda _: "water-change-due" not in tank.alerts))
        wait_until(lambda: reader.holds(lambda _: len(tank.alerts) == tank.value("advice/open")))
        reader.check()


def test_words_that_only_count_on_are_not_published_again(
    home: Home, start_mosquitto: Start, tmp_path: Path
) -> None:
    """Silent for 61 min, then for 62: nobody would act differently, no automation shall fire."""
    broker = start_mosquitto(tmp_path)
    loud = HomieOptions(alerts="info")
    seen: list[tuple[str, bytes]] = []
    with homie(broker, options=loud) as integration, Reader(broker.port) as reader:
        scheduler = home.scheduler(integration)
        client = mqtt.Client(mqtt.CallbackAPIVersion.VERSION2)
        client.on_connect = lambda client, *_: client.subscribe("homie/5/#", 2)
        client.on_message = lambda *args: seen.append((args[2].topic, args[2].payload))
        client.connect("127.0.0.1", broker.port)
        client.loop_start()
        titles = []
        for minutes, celsius in ((61, 24.1), (62, 24.2), (63, 24.3)):
            home.clock.moment = NOON + timedelta(minutes=minutes)
            home.measure("reed", temperature=celsius)
            change = scheduler.evaluate_all()["reed"]
            titles.append({one.finding.title for one in change.current})
            value = f"homie/5/{REED}/water/temperature"
            wait_until(lambda: (value, str(celsius).encode()) in seen)  # noqa: B023
        assert titles[0] != titles[1]  # the words did count on
        assert any("no-ph" in topic for topic, _ in seen)
        alerts = [topic for topic, _ in seen if "/$alert/" in topic]
        assert len(alerts) == len(set(alerts)), alerts
        tank = reader.devices[REED]
        wait_until(lambda: reader.holds(lambda _: "no-ph" in tank.alerts))
        assert tank.alerts["no-ph"].endswith("gave its last usable reading on 10 Mar at 12:00.")
        client.disconnect()
        client.loop_stop()


def test_a_new_sensor_changes_the_description_by_way_of_init(
    home: Home, start_mosquitto: Start, tmp_path: Path
) -> None:
    broker = start_mosquitto(tmp_path)
    home.registry.put_tank(a_tank(id="fern", name="Fern"))
    with homie(broker) as integration, Reader(broker.port) as reader:
        scheduler = home.scheduler(integration)
        scheduler.evaluate_all()
        fern = "littoral-fern"
        wait_until(complete(reader, fern, REED))
        device = reader.devices[fern]
        assert device.description is not None
        assert set(device.description["nodes"]) == {"advice"}
        home.measure("fern", temperature=25.5)
        scheduler.evaluate_all()
        wait_until(lambda: reader.holds(lambda _: len(device.versions) == 2))
        wait_until(ready(reader, fern))
        assert device.value("water/temperature") == 25.5
        assert device.states == ["init", "ready", "init", "ready"]
        assert device.versions[1] > device.versions[0]
        reader.check()  # a description that changes while ready would be a fault


def test_nan_and_infinity_are_no_values() -> None:
    view = view_with(log=[])
    assert view.temperature.reading is not None
    for odd in (float("nan"), float("inf")):
        reading = replace(view.temperature.reading, value=odd)
        figures = figures_of(
            replace(view, temperature=replace(view.temperature, reading=reading)), []
        )
        assert figures.temperature_c is None
        assert "temperature" in figures.missing
        for one in properties_of(figures):
            assert one.text is None or "n" not in one.text or one.datatype == "enum"


def test_the_reader_finds_faults() -> None:
    """The tests above would notice."""
    for kind, payload in (
        ("float", "nan"), ("float", ""), ("float", "1e+5"), ("float", "1,5"), ("integer", "1.0"),
        ("boolean", "True"), ("enum", "c"),
    ):  # fmt: skip
        with pytest.raises(AssertionError):
            checked(payload, {"datatype": kind, "format": "a,b"})
    with pytest.raises(KeyError):
        check_description('{"homie":"5.0","name":"no version"}')
    with pytest.raises(AssertionError):
        check_description('{"homie":"4.0","version":1}')
