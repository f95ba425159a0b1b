"""What a broker retains, read from outside."""

from __future__ import annotations

import threading
from typing import Any

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

LAST = "read-to-the-end"


def retained_at(port: int, topics: str = "#") -> dict[str, str]:
    """All retained messages of some topics, payload by topic.

    mosquitto queues the retained messages of a subscription when it takes it, before whatever is
    published later at the same QoS; so a message of our own marks their end.
    """
    found: dict[str, str] = {}
    end = threading.Event()

    def take(_: mqtt.Client, __: Any, message: mqtt.MQTTMessage) -> None:
        if message.topic == LAST:
            end.set()
        elif message.retain:
            found[message.topic] = message.payload.decode()

    client = mqtt.Client(CallbackAPIVersion.VERSION2)
    client.on_message = take
    client.on_connect = lambda client, *_: client.subscribe([(topics, 1), (LAST, 1)])
    client.on_subscribe = lambda client, *_: client.publish(LAST, "", 1)
    client.connect("127.0.0.1", port)
    client.loop_start()
    try:
        assert end.wait(60), "the broker did not send the last message"
    finally:
        client.disconnect()
        client.loop_stop()
    return found
