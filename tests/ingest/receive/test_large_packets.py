"""Packets that are too large, and topics that are no text: refused without harm to anybody else."""

from __future__ import annotations

import re
import signal
from pathlib import Path

import pytest

from tests.ingest.conftest import publish
from tests.mqtt import raw_broker
from tests.mqtt.raw_broker import DISCONNECT, PUBACK, SUBACK, RawBroker, packet
from tests.servers import wait_until

TOO_LARGE = b"7" * 20_000_000
TOPIC = b"littoral/reed/temperature"
MEMORY_MB = 12.0


def memory_mb(pid: int, line: str) -> float:
    """What Linux counts of a process (proc_pid_status(5)): ``VmRSS`` now, ``VmHWM`` at most."""
    text = Path(f"/proc/{pid}/status").read_text()
    found = re.search(rf"^{line}:\s+(\d+) kB", text, re.MULTILINE)
    assert found is not None
    return int(found[1]) / 1024


@pytest.mark.parametrize("protocol", ["5", "3.1.1"])
def test_a_message_of_twenty_megabytes_is_never_stored_in_memory(
    tmp_path, start_mosquitto, make_bench, make_process, protocol
):
    """mosquitto takes packets of any size unless ``max_packet_size`` says otherwise.

    By MQTT 5 it is told of our limit and drops the message; by 3.1.1 it sends it.
    """
    broker = start_mosquitto(tmp_path)
    bench = make_bench(broker, mqtt={"protocol": protocol})
    process = make_process(bench)
    process.start()
    publish(broker, "littoral/reed/ph", "6.5")
    bench.wait_for("reed", "ph")
    before_mb = memory_mb(process.pid, "VmRSS")
    for _ in range(5):
        publish(broker, TOPIC.decode(), TOO_LARGE)
    publish(broker, "littoral/reed/ph", "6.6")
    bench.wait_for("reed", "ph", count=2)
    assert memory_mb(process.pid, "VmHWM") - before_mb < MEMORY_MB
    name = f"ingest:{bench.config.mqtt.client_id}"
    came = 0 if protocol == "5" else 5

    def status():
        return bench.registry.statuses().get(name, {})

    wait_until(lambda: (status().get("too_large"), status()["acknowledged"]) == (came, 2 + came))
    assert status()["connected"]
    wait_until(lambda: bench.registry.rejection_counts() == ({"too-large": 5} if came else {}))
    process.end(signal.SIGTERM)
    process.start()  # nothing of it is sent again
    publish(broker, "littoral/reed/ph", "6.7")
    bench.wait_for("reed", "ph", count=3)
    wait_until(lambda: status()["acknowledged"] == 1)
    assert status()["too_large"] == 0


@pytest.fixture
def raw():
    """A broker that plays by no rules."""
    made = RawBroker()
    yield made
    made.close()


def acknowledged(raw: RawBroker) -> list[int]:
    """Packet identifiers that were acknowledged."""
    return [body[0] << 8 | body[1] for body in raw.bodies(PUBACK)]


def test_a_broker_that_ignores_the_limit_gets_its_acknowledgement_and_no_disconnect(
    raw, make_bench
):
    """To disconnect would have it send the same again, for ever."""
    bench = make_bench(raw)
    bench.start()
    raw.send(raw_broker.publish(TOPIC, TOO_LARGE, mid=7))
    raw.send(raw_broker.publish(TOPIC, b"24.5", mid=8))
    assert bench.wait_for("reed", "temperature").value == 24.5
    wait_until(lambda: sorted(acknowledged(raw)) == [7, 8])
    assert (raw.connections, raw.bodies(DISCONNECT)) == (1, [])
    [rejected] = bench.registry.rejections()
    assert (rejected.reason_code, rejected.topic) == ("too-large", TOPIC.decode())
    assert "packet has 20000030 bytes; allowed: up to mqtt.max_packet_kb" in rejected.detail
    assert bench.status()["too_large"] == 1


@pytest.mark.parametrize(
    "wrong",
    [packet(SUBACK, bytes(2_000_000)), raw_broker.publish(TOPIC, TOO_LARGE, qos=2)],
    ids=["no message", "QoS 2, which was not asked for"],
)
def test_any_other_packet_that_is_too_large_ends_the_connection(raw, make_bench, wrong):
    """With the reason "packet too large" (MQTT 5.0, section 3.14.2.1)."""
    bench = make_bench(raw)
    bench.start()
    raw.send(wrong[:200_000])
    wait_until(lambda: raw.connections == 2)
    assert [body[:1] for body in raw.bodies(DISCONNECT)] == [b"\x95"]
    bench.wait(lambda status: status["subscribed"])
    raw.send(raw_broker.publish(TOPIC, b"24.5", mid=8))
    bench.wait_for("reed", "temperature")


@pytest.mark.parametrize("props", [b"", b"\x01\x01"], ids=["plain", "with properties"])
def test_a_topic_that_is_no_text_ends_nothing(raw, make_bench, props):
    """mosquitto refuses such topics (section 1.5.4: UTF-8); another broker may not."""
    bench = make_bench(raw)
    bench.start()
    raw.send(raw_broker.publish(b"littoral/\xff\xfe/ph", b"6.5", mid=3, props=props))
    raw.send(raw_broker.publish(TOPIC, b"24.5", mid=4))
    assert bench.wait_for("reed", "temperature").value == 24.5
    wait_until(lambda: sorted(acknowledged(raw)) == [3, 4])
    assert raw.connections == 1


def test_a_message_too_large_with_a_topic_length_beyond_its_end_is_malformed(raw, make_bench):
    bench = make_bench(raw, mqtt={"max_packet_kb": 16})
    bench.start()
    raw.send(packet(raw_broker.PUBLISH, b"\xff\xff" + bytes(20_000)))
    wait_until(lambda: raw.connections == 2)
    bench.wait(lambda status: status["subscribed"])
    raw.send(raw_broker.publish(TOPIC, b"24.5", mid=4))
    bench.wait_for("reed", "temperature")
