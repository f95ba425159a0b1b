"""The fast reading gives what paho's own does, whatever comes and however it is cut."""

from __future__ import annotations

import random
import socket
import threading

import paho.mqtt.client as mqtt
import pytest
from paho.mqtt.enums import CallbackAPIVersion, MQTTErrorCode, MQTTProtocolVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from service.mqtt.fast_reading import FastReadingClient
from tests.mqtt.raw_broker import packet
from tests.servers import HOST, wait_until

COUNT = 300


def varied(client, chance):
    """Publish messages of all kinds; returns when the broker has them."""
    infos = []
    for number in range(COUNT):
        properties = None
        if client.protocol == MQTTProtocolVersion.MQTTv5 and chance.random() < 0.3:
            properties = Properties(PacketTypes.PUBLISH)
            properties.ContentType = "text/plain"
            properties.UserProperty = ("battery", "3.1")
        size = chance.choice([0, 1, 5, 120, 130, 20_000, 200_000])
        infos.append(
            client.publish(
                f"wire{client.protocol}/{chance.choice(['a', 'µ°', 'x' * 200])}/{number}",
                chance.randbytes(size),
                qos=chance.choice([0, 1]),
                retain=chance.random() < 0.1,
                properties=properties,
            )
        )
    for info in infos:
        info.wait_for_publish(60)


def received_by(kind, broker, protocol):
    """A started client of a class, and what it receives."""
    received = []
    client = kind(CallbackAPIVersion.VERSION2, protocol=protocol)
    ready = threading.Event()
    client.on_connect = lambda *_: client.subscribe(f"wire{protocol}/#", 1)
    client.on_subscribe = lambda *_: ready.set()
    client.on_message = lambda _c, _d, m: received.append((m.topic, m.payload, m.qos, m.retain))
    if kind is FastReadingClient:
        client.on_plain = lambda topic, payload, _mid, qos, _dup, retain: received.append(
            (topic.decode(), payload, qos, retain)
        )
    client.connect(HOST, broker.port)
    client.loop_start()
    assert ready.wait(60)
    return client, received


@pytest.mark.parametrize("protocol", [MQTTProtocolVersion.MQTTv5, MQTTProtocolVersion.MQTTv311])
def test_the_same_as_pahos_own(mosquitto, protocol):
    paho, expected = received_by(mqtt.Client, mosquitto, protocol)
    sender = mqtt.Client(CallbackAPIVersion.VERSION2, protocol=protocol)
    sender.connect(HOST, mosquitto.port)
    sender.loop_start()
    ours, received = received_by(FastReadingClient, mosquitto, protocol)
    varied(sender, random.Random(protocol))
    wait_until(lambda: len(expected) == len(received) == COUNT, 60)
    assert received == expected
    for client in (paho, ours, sender):
        client.disconnect()
        client.loop_stop()


def test_packets_cut_anywhere_and_the_rest_of_a_lost_connection():
    chance = random.Random(3)
    packets = b"".join(
        bytes([0x30, 6 + len(text)]) + b"\0\3a/b\0" + text
        for text in (str(number).encode() for number in range(500))
    )
    broker, side = socket.socketpair()
    side.setblocking(False)
    client = FastReadingClient(CallbackAPIVersion.VERSION2, protocol=MQTTProtocolVersion.MQTTv5)
    client._sock = side
    received = []
    client.on_plain = lambda topic, payload, *_: received.append((topic, payload))
    while packets:
        cut = chance.randint(1, 60)
        broker.sendall(packets[:cut])
        packets = packets[cut:]
        while True:
            before = len(received)
            assert client.read_packet() == MQTTErrorCode.MQTT_ERR_SUCCESS
            if len(received) == before and not client.has_read_ahead:
                break
    assert received == [(b"a/b", str(number).encode()) for number in range(500)]
    broker.sendall(bytes([0x30, 7]) + b"\0\3a/b\0" + b"1" + bytes([0x30, 7]))
    client.read_packet()
    assert client.has_read_ahead
    broker.close()
    client._host = HOST
    client._port = 1  # nobody listens there
    with pytest.raises(OSError):
        client.reconnect()
    assert not client.has_read_ahead


def test_of_a_packet_that_is_too_large_only_the_beginning_is_stored():
    """However it is cut; what follows is read as if nothing had been."""
    chance = random.Random(5)
    broker, side = socket.socketpair()
    side.setblocking(False)
    client = FastReadingClient(CallbackAPIVersion.VERSION2, protocol=MQTTProtocolVersion.MQTTv5)
    client._sock = side
    client.most_bytes = 1_000_000
    plain, large, most = [], [], 0
    client.on_plain = lambda topic, payload, *_: plain.append((topic, payload))
    client.on_too_large = lambda *given: large.append(given)
    head = b"\0\3a/b\0"
    packets = b"".join(
        one
        for size in (1_000_000 - len(head), 1_000_001 - len(head), 3_000_000)
        for one in (packet(0x31, head + bytes(size)), packet(0x30, head + b"1"))
    )
    while packets:
        cut = chance.randint(1, 300_000)
        sent = broker.send(packets[:cut], socket.MSG_DONTWAIT)
        packets = packets[sent:]
        while True:
            before = len(plain) + len(large)
            assert client.read_packet() == MQTTErrorCode.MQTT_ERR_SUCCESS
            if large:
                most = max(most, len(client._in_packet["packet"]))
            if len(plain) + len(large) == before and not client.has_read_ahead:
                break
    assert [len(payload) for _, payload in plain] == [999_994, 1, 1, 1]
    assert large == [(b"a/b", size, 0, 0, False, True) for size in (1_000_001, 3_000_006)]
    assert client.too_large == 2
    assert most < 200_000
    broker.close()
