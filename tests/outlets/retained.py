"""What a broker retains at a moment, asked of the broker itself."""

from __future__ import annotations

import threading

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

LAST = "retained/last"


def retained(port: int) -> dict[str, str]:
    """All retained messages: topic and payload."""
    found: dict[str, str] = {}
    complete = threading.Event()

    def take(_: object, __: object, message: mqtt.MQTTMessage) -> None:
        if message.topic == LAST:
            complete.set()
        elif message.retain:
            found[message.topic] = message.payload.decode()

    client = mqtt.Client(CallbackAPIVersion.VERSION2)
    client.on_message = take
    client.on_connect = lambda client, *_: client.subscribe("#", 1)
    # Published once the subscription is confirmed, so it comes after all that is retained.
    client.on_subscribe = lambda client, *_: client.publish(LAST, "", 1)
    client.connect("127.0.0.1", port)
    client.loop_start()
    try:
        assert complete.wait(30), "the broker does not answer"
    finally:
        client.disconnect()
        client.loop_stop()
    return found
