"""From mosquitto_pub through a real broker into a real store."""

from __future__ import annotations

import time

from service.registry.models.tank import Tank
from service.store import Flag
from tests.ingest.conftest import publish, publish_lines
from tests.servers import wait_until


def test_messages_become_readings(mosquitto, make_bench):
    bench = make_bench(mosquitto)
    bench.start()
    before_us = time.time_ns() // 1000
    publish(mosquitto, "littoral/reed/temperature", "24.5")
    publish(mosquitto, "littoral/reed/ph/probe-2", '{"value": 6.62}')
    publish(mosquitto, "littoral/sedge/temperature", "72.5 °F")
    publish(mosquitto, "littoral/sedge/illuminance", "12000", qos=0)
    reading = bench.wait_for("reed", "temperature")
    assert (reading.value, reading.flags) == (24.5, Flag.NONE)
    assert before_us <= reading.time_us <= time.time_ns() // 1000
    assert bench.wait_for("reed", "ph", "probe-2").value == 6.62
    assert abs(bench.wait_for("sedge", "temperature").value - 22.5) < 1e-9
    assert bench.wait_for("sedge", "illuminance").value == 12000
    bench.wait(lambda status: status["acknowledged"] == 3)


def test_implausible_is_kept_and_flagged(mosquitto, make_bench):
    bench = make_bench(mosquitto)
    bench.start()
    publish(mosquitto, "littoral/reed/temperature", "85.0")
    assert bench.wait_for("reed", "temperature").flags & Flag.IMPLAUSIBLE


def test_rejections_are_recorded_counted_and_acknowledged(mosquitto, make_bench):
    bench = make_bench(mosquitto)
    bench.start()
    for topic, payload in (
        ("littoral/reed/temperature", "warm"),
        ("littoral/pond/temperature", "24"),
        ("littoral/reed/temperature/a/b/c", "24"),
        ("littoral/reed/temperature", "24 parsec"),
        ("littoral/reed/temperature", "nan"),
    ):
        publish(mosquitto, topic, payload)
    bench.wait(lambda status: status["acknowledged"] == 5)
    assert bench.registry.rejection_counts() == {
        "not-a-number": 1,
        "not-finite": 1,
        "unknown-tank": 1,
        "unknown-topic": 1,
        "unknown-unit": 1,
    }
    latest = bench.registry.rejections(limit=1)[0]
    assert (latest.topic, latest.payload_excerpt) == ("littoral/reed/temperature", "nan")
    assert bench.readings("reed", "temperature") == []


def test_a_tank_registered_later_is_taken(mosquitto, make_bench, monkeypatch):
    monkeypatch.setattr("ingest.process.reference_data.RECHECK_S", 0.0)
    bench = make_bench(mosquitto)
    bench.start()
    publish(mosquitto, "littoral/rush/ph", "6.5")
    bench.wait(lambda status: status["rejected"] == 1)
    bench.registry.put_tank(Tank("rush", "Rush"))
    publish(mosquitto, "littoral/rush/ph", "6.6")
    assert bench.wait_for("rush", "ph").value == 6.6


def test_what_littoral_publishes_itself_is_neither_taken_nor_rejected(mosquitto, make_bench):
    bench = make_bench(mosquitto)
    bench.start()
    ours = (
        "littoral/reed/advice/co2-low",
        "littoral/reed/advice/summary",
        "littoral/$hub/littoral/reed/temperature",  # its state is a plain number
        "littoral/$hub/littoral/$status/littoral-ingest",
        "littoral/$advice/other",
        "littoral/$ingest/other",
    )
    for topic in ours:
        publish(mosquitto, topic, "24.5")
    publish(mosquitto, "littoral/reed/ph", "6.6")
    bench.wait_for("reed", "ph")
    bench.wait(lambda status: status["acknowledged"] == len(ours) + 1)
    assert (bench.status()["rejected"], bench.registry.rejection_counts()) == (0, {})
    assert [info.key.quantity for info in bench.store.series("reed")] == ["ph"]


def test_retained_is_not_fresh(mosquitto, make_bench):
    publish(mosquitto, "littoral/reed/dissolved_oxygen", "7.5", "-r")
    try:
        bench = make_bench(mosquitto)
        bench.start()
        assert bench.wait_for("reed", "dissolved_oxygen").flags == Flag.RETAINED
    finally:
        publish(mosquitto, "littoral/reed/dissolved_oxygen", "", "-r")


def test_session_is_kept_while_the_ingester_is_away(mosquitto, make_bench):
    bench = make_bench(mosquitto)
    bench.start()
    publish(mosquitto, "littoral/reed/ph", "6.60")
    bench.wait_for("reed", "ph")
    bench.stop()
    publish_lines(mosquitto, "littoral/reed/ph", [f"6.{n:03}" for n in range(100)])
    bench.start()
    bench.wait_for("reed", "ph", count=101)
    assert [value for _, value, _ in bench.readings("reed", "ph")][1:] == [
        float(f"6.{n:03}") for n in range(100)
    ]


def test_mqtt_3_1_1(mosquitto, make_bench):
    bench = make_bench(mosquitto, mqtt={"protocol": "3.1.1"})
    bench.start()
    publish(mosquitto, "littoral/reed/ph", "6.6")
    bench.wait_for("reed", "ph")
    bench.stop()
    publish(mosquitto, "littoral/reed/ph", "6.7")
    bench.start()
    assert bench.wait_for("reed", "ph", count=2).value == 6.7


def test_status_row_for_the_other_processes(mosquitto, make_bench):
    bench = make_bench(mosquitto)
    bench.start()
    publish(mosquitto, "littoral/reed/ph", "6.6")
    name = bench.ingester.name
    wait_until(lambda: bench.registry.statuses().get(name, {}).get("stored") == 1)
    status = bench.registry.statuses()[name]
    assert status["connected"] is True
    assert status["last_commit"]
    bench.stop()
    assert bench.registry.statuses()[name]["connected"] is False


def test_a_fault_of_our_own_rejects_one_message_and_goes_on(mosquitto, make_bench, monkeypatch):
    from ingest.decode import decoder

    real = decoder.decode

    def decode(message, *others):
        if message.payload == b"6.5":
            raise KeyError("by this test")
        return real(message, *others)

    monkeypatch.setattr(decoder, "decode", decode)
    bench = make_bench(mosquitto)
    bench.start()
    publish_lines(mosquitto, "littoral/reed/ph", ["6.4", "6.5", "6.6"])
    bench.wait_for("reed", "ph", count=2)
    bench.wait(lambda status: status["acknowledged"] == 3)
    assert bench.registry.rejection_counts() == {"internal": 1}
