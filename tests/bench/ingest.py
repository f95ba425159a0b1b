"""Throughput of the ingester beside a bare paho subscriber, on the same mosquitto, in one run.

    python -m tests.bench.ingest [--messages 40000] [--rounds 3]

Each round lets both, one after the other, receive the same messages: at QoS 1 a backlog that the
broker has kept for their session, at QoS 0 a stream as fast as the broker's socket takes it (what
is missing of it at the end is printed). The ingester commits every message to SQLite
(``synchronous = FULL``) before it acknowledges.
"""

from __future__ import annotations

import argparse
import resource
import socket
import statistics
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable
from pathlib import Path

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from tests.servers import HOST, Mosquitto, program

TANKS = 100
FILTER = "littoral/#"
SILENCE_S = 3.0
"""Nothing more for so long: nothing more will come."""


class Outcome:
    """What one subscriber process printed: messages/s, CPU us, peak MB, messages missing."""

    def __init__(self, line: str) -> None:
        self.rate, self.cpu_us, self.peak_mb, self.missing = map(float, line.split())


def connect_properties() -> Properties:
    properties = Properties(PacketTypes.CONNECT)
    properties.SessionExpiryInterval = 3600
    properties.ReceiveMaximum = 5000
    return properties


class Watch:
    """Times the messages from the first to the last; at QoS 0 some may never come."""

    def __init__(self, count: int, seen: Callable[[], int]) -> None:
        self._count = count
        self._seen = seen

    def report(self) -> None:
        """Wait for all, or until nothing has come for a while; print what was measured."""
        while not (seen := self._seen()):
            time.sleep(0.0005)
        start_s, used_s = time.monotonic(), cpu_s()
        last, last_s, last_used_s = seen, start_s, used_s
        while last < self._count and time.monotonic() - last_s < SILENCE_S:
            time.sleep(0.002)
            if (seen := self._seen()) != last:
                last, last_s, last_used_s = seen, time.monotonic(), cpu_s()
        peak_mb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1000
        rate, cpu_us = last / (last_s - start_s), (last_used_s - used_s) / last * 1e6
        print(rate, cpu_us, peak_mb, max(0, self._count - last), flush=True)


def bare(port: int, client_id: str, count: int, qos: int) -> None:
    """Receive and do nothing."""
    client = mqtt.Client(
        CallbackAPIVersion.VERSION2, client_id=client_id, protocol=MQTTProtocolVersion.MQTTv5
    )
    seen = [0]

    def on_message(_client: object, _data: object, _message: object) -> None:
        seen[0] += 1

    client.on_message = on_message
    client.on_connect = lambda *_: client.subscribe(FILTER, qos)
    client.on_subscribe = lambda *_: print("ready", flush=True)
    client.connect(HOST, port, clean_start=False, properties=connect_properties())
    client.loop_start()
    Watch(count, lambda: seen[0]).report()
    client.disconnect()
    client.loop_stop()


def ours(port: int, client_id: str, count: int, qos: int, folder: Path, tanks: int) -> None:
    """Receive, decode, judge, commit, acknowledge."""
    from ingest.app import Ingester
    from service.clock import SystemClock
    from service.config import Config, IngestConfig, MqttConfig
    from service.registry.models.tank import Tank
    from service.registry.registry import open_registry
    from service.store import open_store

    config = Config(
        mqtt=MqttConfig(f"mqtt://{HOST}:{port}", client_id=client_id, qos=qos),
        # The last few must not wait for a minute: they would be taken for lost.
        ingest=IngestConfig(spool_path=str(folder / "spool.db"), batch_age_s=1.0),
    )
    registry = open_registry(f"sqlite:///{folder}/registry.db")
    for n in range(tanks):
        registry.put_tank(Tank(f"tank-{n}", f"Tank {n}"))
    ingester = Ingester(
        config, open_store(f"sqlite:///{folder}/readings.db"), registry, SystemClock()
    )
    stop = threading.Event()
    worker = threading.Thread(target=ingester.run, args=(stop,))
    worker.start()
    while not ingester.status()["subscribed"]:
        time.sleep(0.005)
    print("ready", flush=True)
    Watch(count, lambda: ingester.stored).report()
    stop.set()
    worker.join()


def cpu_s() -> float:
    used = resource.getrusage(resource.RUSAGE_SELF)
    return used.ru_utime + used.ru_stime


class Subscriber:
    """One of the two, in a process of its own."""

    def __init__(self, kind: str, port: int, client_id: str, count: int, qos: int) -> None:
        words = [kind, str(port), client_id, str(count), str(qos)]
        self._process = subprocess.Popen(
            [sys.executable, "-m", "tests.bench.ingest", "--child", *words],
            stdout=subprocess.PIPE,
            text=True,
        )

    def line(self) -> str:
        assert self._process.stdout is not None
        line = self._process.stdout.readline()
        assert line, "the subscriber ended"
        return line

    def outcome(self) -> Outcome:
        outcome = Outcome(self.line())
        self._process.wait(30)
        return outcome


def publish_all(port: int, count: int, qos: int) -> None:
    """Publish plain numbers to 100 tanks, as fast as the broker takes them."""
    each = count // TANKS
    numbers = "".join(f"{20 + n % 10 / 10}\n" for n in range(each)).encode()
    running = []
    for first in range(0, TANKS, 4):
        for n in range(first, first + 4):
            topic = f"littoral/tank-{n}/temperature"
            words = ["-h", HOST, "-p", str(port), "-q", str(qos), "-t", topic, "-l"]
            sender = subprocess.Popen([program("mosquitto_pub"), *words], stdin=subprocess.PIPE)
            running.append(sender)
            threading.Thread(target=feed, args=(sender, numbers)).start()
        for sender in running[-4:]:
            sender.wait()


def feed(sender: subprocess.Popen[bytes], data: bytes) -> None:
    assert sender.stdin is not None
    sender.stdin.write(data)
    sender.stdin.close()


def stream(port: int, count: int) -> None:
    """Send plain numbers to 100 tanks at QoS 0, over one connection, as fast as it takes them."""
    packets = bytearray()
    for n in range(count):
        topic = f"littoral/tank-{n % TANKS}/temperature".encode()
        body = len(topic).to_bytes(2, "big") + topic + b"%.1f" % (20 + n % 10 / 10)
        packets += bytes([0x30, len(body)]) + body
    with socket.create_connection((HOST, port)) as sender:
        sender.sendall(b"\x10\x10\0\4MQTT\4\2\0\0\0\4fast")  # CONNECT, MQTT 3.1.1
        assert sender.recv(4)[3] == 0
        sender.sendall(packets)
        sender.sendall(b"\xe0\0")
        sender.recv(1)  # until the broker has read it all


def make_session(port: int, client_id: str) -> None:
    """Subscribe once, so that the broker keeps messages for this client."""
    client = mqtt.Client(
        CallbackAPIVersion.VERSION2, client_id=client_id, protocol=MQTTProtocolVersion.MQTTv5
    )
    client.on_connect = lambda *_: client.subscribe(FILTER, 1)
    client.on_subscribe = lambda *_: client.disconnect()
    client.connect(HOST, port, properties=connect_properties())
    client.loop_forever()


def run(kind: str, port: int, count: int, qos: int, number: int) -> Outcome:
    client_id = f"{kind}-{qos}-{number}"
    if qos == 1:
        make_session(port, client_id)
        publish_all(port, count, 1)
        subscriber = Subscriber(kind, port, client_id, count, 1)
        subscriber.line()
        return subscriber.outcome()
    subscriber = Subscriber(kind, port, client_id, count, 0)
    subscriber.line()
    stream(port, count)
    return subscriber.outcome()


def main() -> None:
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--messages", type=int, default=40_000)
    options.add_argument("--rounds", type=int, default=3)
    options.add_argument("--child", nargs=5)
    chosen = options.parse_args()
    if chosen.child:
        kind, port, client_id, count, qos = chosen.child
        arguments = (int(port), client_id, int(count), int(qos))
        if kind == "bare":
            bare(*arguments)
        else:
            with tempfile.TemporaryDirectory() as folder:
                ours(*arguments, Path(folder), TANKS)
        return
    with tempfile.TemporaryDirectory() as folder:
        broker = Mosquitto(Path(folder), "max_inflight_messages 5000\n")
        broker.start()
        try:
            for qos in (1, 0):
                compare(broker.port, chosen.messages, qos, chosen.rounds)
        finally:
            broker.stop()


def compare(port: int, count: int, qos: int, rounds: int) -> None:
    results: dict[str, list[Outcome]] = {"bare": [], "ours": []}
    for number in range(rounds):
        for kind, outcomes in results.items():
            outcomes.append(run(kind, port, count, qos, number))
    rates, cpus = {}, {}
    for kind, outcomes in results.items():
        rates[kind] = statistics.median(o.rate for o in outcomes)
        cpus[kind] = statistics.median(o.cpu_us for o in outcomes)
        peak = max(o.peak_mb for o in outcomes)
        spread = ", ".join(f"{o.rate:,.0f}" for o in outcomes)
        missing = sum(o.missing for o in outcomes)
        print(
            f"QoS {qos} {kind}: {rates[kind]:,.0f} messages/s (rounds: {spread}), "
            f"{cpus[kind]:.1f} us CPU per message, peak {peak:.0f} MB, {missing:.0f} missing"
        )
    print(
        f"QoS {qos} ratio: throughput {rates['ours'] / rates['bare']:.2f}, "
        f"CPU {cpus['ours'] / cpus['bare']:.2f}"
    )


if __name__ == "__main__":
    main()
