"""Advice over MQTT: one retained JSON message per recommendation, emptied when it clears.

Topics are ``<prefix>/<tank>/advice/<code>``, with ``/<subject>`` where a rule speaks of several
things, and ``<prefix>/<tank>/advice/summary``.
"""

from __future__ import annotations

import json
import logging
import re
import threading
from collections.abc import Sequence
from datetime import datetime
from typing import Any, Final

import paho.mqtt.client as mqtt
from paho.mqtt.reasoncodes import ReasonCode

from service.advice.engine.change_events import LedgerChange
from service.advice.engine.documents import recommendation_document, summary_document
from service.advice.engine.recommendation import Recommendation
from service.config import MqttConfig
from service.derive.models import TankView
from service.mqtt.connection import publishing_client
from service.registry.recommendations import State

QOS: Final = 1
STOP_WAIT_S: Final = 3.0
_NOT_IN_TOPICS = re.compile(r"[+#/\s\x00]+")

_log = logging.getLogger(__name__)


def topic_of(prefix: str, one: Recommendation) -> str:
    """The topic of a recommendation; a subject becomes one level."""
    topic = f"{prefix}/{one.tank}/advice/{one.finding.code}"
    subject = _NOT_IN_TOPICS.sub("-", one.finding.subject).strip("-")
    return f"{topic}/{subject}" if subject else topic


def messages_of(
    prefix: str, tank: str, current: Sequence[Recommendation], now: datetime
) -> dict[str, str]:
    """What the broker should hold of a tank: payload by topic, open recommendations only."""
    open_ones = [one for one in current if one.state is State.OPEN]
    found = {topic_of(prefix, one): _text(recommendation_document(one)) for one in open_ones}
    found[f"{prefix}/{tank}/advice/summary"] = _text(summary_document(tank, open_ones, now))
    return found


class MqttAdvice:
    """An outlet that keeps the broker's retained advice as the ledger has it.

    Whatever an earlier run left there and no longer stands is emptied; after a broker comes
    back without its retained messages everything is published again.
    """

    name = "mqtt-advice"

    def __init__(self, config: MqttConfig) -> None:
        """Prepare.

        Raises:
            ConfigError: the broker's address or a certificate file is wrong.
        """
        self._prefix = config.prefix
        self._client = publishing_client(config, "advice")
        self._client.on_connect = self._on_connect
        self._client.on_message = self._on_message
        self._lock = threading.Lock()
        #: tank -> topic -> payload, as the broker should hold it.
        self._wanted: dict[str, dict[str, str]] = {}
        #: topic -> tank of retained advice seen at the broker.
        self._seen: dict[str, str] = {}

    def start(self) -> None:
        """Connect in the background; a broker that is away is tried again."""
        self._client.loop_start()

    def update(self, view: TankView, change: LedgerChange) -> None:
        """Publish what changed of a tank; everything of it at the first time."""
        tank = view.tank.id
        with self._lock:
            before = self._wanted.get(tank, {})
            wanted = messages_of(self._prefix, tank, change.current, view.now)
            summary = f"{self._prefix}/{tank}/advice/summary"
            events = {one.id for one in (*change.opened, *change.changed)}
            fresh = {topic_of(self._prefix, one) for one in change.current if one.id in events}
            gone = {*before, *(topic for topic, of in self._seen.items() if of == tank)}
            gone -= set(wanted)
            if summary not in before or fresh or gone:
                fresh.add(summary)
            for topic, payload in list(wanted.items()):
                if topic in before and topic not in fresh:
                    wanted[topic] = before[topic]  # nothing that a person would act on
                else:
                    self._publish(topic, payload)
            for topic in gone:
                self._publish(topic, "")
                self._seen.pop(topic, None)
            self._wanted[tank] = wanted

    def remove(self, tank: str) -> None:
        """Empty all topics of a tank that is no longer watched."""
        with self._lock:
            for topic in self._wanted.pop(tank, {}):
                self._publish(topic, "")

    def stop(self) -> None:
        """Send what is on its way, then disconnect; advice stays at the broker."""
        self._client.disconnect()
        self._client.loop_stop()

    def _publish(self, topic: str, payload: str) -> None:
        # While the broker is away nothing is queued: all is published again on connecting.
        if self._client.is_connected():
            self._client.publish(topic, payload, qos=QOS, retain=True)

    def _on_connect(
        self, client: mqtt.Client, _: Any, flags: mqtt.ConnectFlags, reason: ReasonCode, *__: Any
    ) -> None:
        if reason.is_failure:
            _log.warning("the broker refuses the advice client: %s", reason)
            return
        client.subscribe([(f"{self._prefix}/+/advice/#", QOS)])
        with self._lock:
            for messages in self._wanted.values():
                for topic, payload in messages.items():
                    self._publish(topic, payload)

    def _on_message(self, _: mqtt.Client, __: Any, message: mqtt.MQTTMessage) -> None:
        if not message.retain or not message.payload:
            return
        tank = message.topic.removeprefix(f"{self._prefix}/").split("/")[0]
        with self._lock:
            wanted = self._wanted.get(tank)
            if wanted is None:
                self._seen[message.topic] = tank
            elif message.topic not in wanted:
                self._publish(message.topic, "")


def _text(document: dict[str, Any]) -> str:
    return json.dumps(document, ensure_ascii=False, separators=(",", ":"))
