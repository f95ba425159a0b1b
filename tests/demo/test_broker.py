"""Both brokers of the demo keep what the ingester relies on: nothing is lost at QoS 1."""

from __future__ import annotations

import queue
import socket
import time
from collections.abc import Iterator
from pathlib import Path

import paho.mqtt.client as mqtt
import pytest
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from demo.children import Child
from demo.listening import retained
from service.mqtt import embedded_broker as broker
from service.mqtt.embedded_broker import NoBrokerError
from tests.servers import free_port

BURST = 3000


@pytest.fixture(params=["mosquitto", "iotcore"])
def port(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[int]:
    """A running broker's port."""
    number = free_port()
    child = Child(request.param, broker.command(request.param, number, tmp_path), tmp_path)
    child.start()
    child.wait_for_port(broker.HOST, number, 20)
    yield number
    child.check()
    assert child.stop()


class Listener:
    """An MQTT 5 client with a persistent session that acknowledges by hand."""

    def __init__(self, port: int, *, acknowledges: bool = True) -> None:
        self.received: queue.Queue[mqtt.MQTTMessage] = queue.Queue()
        self.present = False
        self._subscribed: queue.Queue[int] = queue.Queue()
        self._acknowledges = acknowledges
        self.client = mqtt.Client(
            mqtt.CallbackAPIVersion.VERSION2,
            client_id="keeper",
            protocol=mqtt.MQTTv5,
            manual_ack=True,
        )
        self.client.on_connect = self._connected
        self.client.on_subscribe = lambda *_: self._subscribed.put(1)
        self.client.on_message = self._message
        session = Properties(PacketTypes.CONNECT)
        session.SessionExpiryInterval = 3600
        self.client.connect(broker.HOST, port, clean_start=False, properties=session)
        self.client.loop_start()
        self._subscribed.get(timeout=10)

    def _connected(self, client, userdata, flags, reason, properties) -> None:
        self.present = flags.session_present
        client.subscribe("littoral/#", qos=1)

    def _message(self, client, userdata, message) -> None:
        self.received.put(message)
        if self._acknowledges:
            client.ack(message.mid, message.qos)

    def take(self, count: int, timeout_s: float = 30) -> list[bytes]:
        end = time.monotonic() + timeout_s
        got = []
        while len(got) < count:
            got.append(self.received.get(timeout=max(end - time.monotonic(), 0.01)).payload)
        return got

    def leave(self) -> None:
        self.client.disconnect()
        self.client.loop_stop()

    def drop(self) -> None:
        """Go without a goodbye, as a crash would."""
        self.client.loop_stop()
        sock = self.client.socket()
        assert sock is not None
        sock.shutdown(socket.SHUT_RDWR)
        sock.close()


def publisher(port: int) -> mqtt.Client:
    client = mqtt.Client(mqtt.CallbackAPIVersion.VERSION2, protocol=mqtt.MQTTv5)
    client.max_queued_messages_set(0)
    client.connect(broker.HOST, port)
    client.loop_start()
    return client


def publish(client: mqtt.Client, count: int, start: int = 0) -> list[bytes]:
    sent = [str(start + number).encode() for number in range(count)]
    infos = [client.publish("littoral/quillwater/ph", payload, qos=1) for payload in sent]
    for info in infos:
        info.wait_for_publish(30)
    return sent


def test_a_burst_arrives_whole_and_in_order(port: int) -> None:
    listener, client = Listener(port), publisher(port)
    sent = publish(client, BURST)
    assert listener.take(BURST) == sent
    client.disconnect()
    listener.leave()


def test_the_session_waits_for_an_absent_client(port: int) -> None:
    listener, client = Listener(port), publisher(port)
    publish(client, 1)
    listener.take(1)
    listener.leave()
    sent = publish(client, 200, start=1)
    again = Listener(port)
    assert again.present
    assert again.take(200) == sent
    client.disconnect()
    again.leave()


def test_what_was_not_acknowledged_comes_again(port: int) -> None:
    listener, client = Listener(port, acknowledges=False), publisher(port)
    sent = publish(client, 50)
    assert listener.take(50) == sent
    listener.drop()
    again = Listener(port)
    assert sorted(again.take(50), key=int) == sent
    client.disconnect()
    again.leave()


def test_retained_messages_are_kept_and_removed(port: int) -> None:
    client = publisher(port)
    topic = "littoral/quillwater/advice/x"
    client.publish(topic, b'{"a": 1}', qos=1, retain=True).wait_for_publish(10)
    listener = Listener(port)
    assert listener.take(1) == [b'{"a": 1}']
    assert retained(port, topic, 10) == {"a": 1}
    client.publish(topic, b"", qos=1, retain=True).wait_for_publish(10)
    assert listener.take(1) == [b""]
    assert retained(port, topic, 0.5) is None
    listener.leave()
    client.disconnect()


def test_brokers_listen_on_loopback_only(port: int) -> None:
    listening = Path("/proc/net/tcp").read_text().splitlines()[1:]
    mine = {
        fields[1].split(":")[0]
        for fields in (line.split() for line in listening)
        if fields[1].endswith(f":{port:04X}") and fields[3] == "0A"
    }
    assert mine == {"0100007F"}


def test_a_broker_that_is_not_installed_says_how(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(broker, "mosquitto", lambda: None)
    monkeypatch.setattr(broker, "find_spec", lambda name: None)
    for kind, hint in (("auto", "pip install"), ("mosquitto", "apt-get"), ("iotcore", "pip")):
        with pytest.raises(NoBrokerError, match=hint):
            broker.chosen(kind)


def test_mosquitto_is_preferred_and_can_be_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    assert broker.chosen("auto") == "mosquitto"
    assert broker.chosen("iotcore") == "iotcore"
    monkeypatch.setattr(broker, "mosquitto", lambda: None)
    assert broker.chosen("auto") == "iotcore"
