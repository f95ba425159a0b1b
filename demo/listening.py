"""Listening at the demo's broker, as any other program would."""

from __future__ import annotations

import json
import threading
from typing import Any

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

from service.mqtt.embedded_broker import HOST


def retained(port: int, topic: str, timeout_s: float) -> Any:
    """The JSON document that the broker keeps on one topic; None if it has none in time."""
    found: list[bytes] = []
    heard = threading.Event()

    def connected(client: mqtt.Client, *_: Any) -> None:
        client.subscribe(topic, qos=1)

    def message(_: mqtt.Client, __: Any, said: mqtt.MQTTMessage) -> None:
        if said.payload:
            found.append(bytes(said.payload))
            heard.set()

    client = mqtt.Client(CallbackAPIVersion.VERSION2, protocol=mqtt.MQTTv5)
    client.on_connect = connected
    client.on_message = message
    client.connect(HOST, port)
    client.loop_start()
    try:
        heard.wait(timeout_s)
    finally:
        client.disconnect()
        client.loop_stop()
    return json.loads(found[0]) if found else None
