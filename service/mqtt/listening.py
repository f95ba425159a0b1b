"""Hears what arrives at the broker for a short while, within limits; leaves nothing behind.

For people who set sensors up. A client of its own subscribes at QoS 0 while somebody asks, and
leaves when nobody has asked for a while. Of each topic the last message is remembered.
"""

from __future__ import annotations

import logging
import threading
import time
import uuid
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any, Final

import paho.mqtt.client as mqtt

from service.clock import Clock
from service.config import MqttConfig
from service.errors import ConfigError
from service.mqtt.connection import receiving_client
from service.times import to_us
from service.urls import redacted

_log = logging.getLogger(__name__)

MOST_TOPICS: Final = 1_000
"""Topics that are remembered of one hearing. Our choice."""
MOST_BYTES: Final = 2_000_000
"""Bytes of topics and payloads that are remembered. Our choice."""
LONGEST_PAYLOAD: Final = 16_384
"""Longer payloads are counted, not remembered: bytes. Our choice."""
LONGEST_TOPIC: Final = 256
MOST_A_SECOND: Final = 1_000
"""A faster broker ends the hearing: a narrower filter is needed. Our choice."""
UNASKED_S: Final = 20.0
"""It ends when nobody has asked for so long."""
LONGEST_S: Final = 900.0
"""It ends after so long in any case; whoever still asks begins another."""
_PAUSE_S: Final = 0.2


def is_filter(text: str) -> bool:
    """Whether a text is an MQTT topic filter (MQTT 5.0, section 4.7.1)."""
    levels = text.split("/")
    wildcards = all(level in ("+", "#") or not set(level) & {"+", "#"} for level in levels)
    return (
        0 < len(text) <= LONGEST_TOPIC
        and "\0" not in text
        and wildcards
        and ("#" not in levels[:-1])
    )


@dataclass(frozen=True, slots=True)
class Heard:
    """The last message of a topic.

    Attributes:
        payload: empty where it was too long.
        count: how many came.
        arrival_us: of the last one.
        too_long: length of the payload, where it was too long to be remembered; 0: it was not.
    """

    topic: str
    payload: bytes
    count: int
    arrival_us: int
    retain: bool
    too_long: int = 0


@dataclass(frozen=True, slots=True)
class Hearing:
    """What was heard so far.

    Attributes:
        messages: of each topic the last one, in the order in which topics came.
        for_s: how long it has lasted.
        left_out: messages of topics that found no room.
        trouble: why nothing more is heard, a sentence; "": it goes on.
        listening: the broker has taken the subscription.
    """

    messages: tuple[Heard, ...]
    for_s: float = 0.0
    left_out: int = 0
    trouble: str = ""
    listening: bool = False


class BrokerListener:
    """One hearing at a time, shared by all who ask; safe to call from several threads."""

    def __init__(self, config: MqttConfig, clock: Clock, stopping: threading.Event) -> None:
        """Prepare; nothing is connected until somebody asks.

        Args:
            stopping: ends a hearing.
        """
        self._config = config
        self._clock = clock
        self._stopping = stopping
        self._lock = threading.Lock()
        self._current: _Session | None = None

    def hear(self, filters: Sequence[str]) -> Hearing:
        """What was heard by some filters; begins to listen where nobody does by these.

        Args:
            filters: MQTT topic filters; another set than before begins anew.
        """
        with self._lock:
            session = self._current
            if session is None or not session.serves(filters):
                if session is not None:
                    session.end()
                session = _Session(self._config, self._clock, tuple(filters), self._stopping)
                self._current = session
            session.go_on()
            return session.hearing()

    def present(self) -> Hearing:
        """What was heard so far, without asking to go on; nothing where nobody asked."""
        with self._lock:
            return Hearing(()) if self._current is None else self._current.hearing()


class _Session:
    """One connection, in a thread of its own."""

    def __init__(
        self,
        config: MqttConfig,
        clock: Clock,
        filters: tuple[str, ...],
        stopping: threading.Event,
    ) -> None:
        self._config, self._clock, self._filters = config, clock, filters
        self._stopping, self._ended = stopping, threading.Event()
        self._lock = threading.Lock()
        self._heard: dict[str, Heard] = {}
        self._bytes = self._left_out = self._second = self._in_second = 0
        self._trouble, self._listening = "", False
        self._began_s = self._asked_s = time.monotonic()
        threading.Thread(target=self._run, name="broker-listener", daemon=True).start()

    def serves(self, filters: Sequence[str]) -> bool:
        """Whether it listens, or has failed just now, for these filters."""
        over = self._ended.is_set() and not self._stopping.is_set()
        return self._filters == tuple(filters) and not over

    def end(self) -> None:
        """Leave the broker soon."""
        self._ended.set()

    def go_on(self) -> None:
        """Somebody asks: listen a while longer."""
        self._asked_s = time.monotonic()

    def hearing(self) -> Hearing:
        """What was heard so far."""
        with self._lock:
            found = tuple(self._heard.values())
        for_s = time.monotonic() - self._began_s
        return Hearing(found, for_s, self._left_out, self._trouble, self._listening)

    def _run(self) -> None:
        try:
            self._listen()
        except (ConfigError, OSError, ValueError) as error:
            where = redacted(self._config.url)
            self._trouble = f"the broker at {where} cannot be reached: {error}"
            _log.info("%s", self._trouble)
        self._ended.wait(UNASKED_S)  # the trouble is told for a while, not the broker asked anew
        self._ended.set()

    def _listen(self) -> None:
        visitor = replace(
            self._config,
            client_id=f"{self._config.client_id}-listener-{uuid.uuid4().hex[:8]}",
            session_expiry_s=0,
            max_packet_kb=64,
        )
        client = receiving_client(visitor, 100, clean=True)
        client.manual_ack_set(False)
        client.on_connect = self._on_connect
        client.on_subscribe = self._on_subscribe
        client.on_message = self._on_message
        client.reconnect()
        try:
            self._began_s = time.monotonic()
            while not self._is_over():
                if client.loop(_PAUSE_S) != mqtt.MQTT_ERR_SUCCESS:
                    self._trouble = self._trouble or "the broker has ended the connection"
        finally:
            client.disconnect()
            client.loop(_PAUSE_S)
            self._listening = False

    def _is_over(self) -> bool:
        now_s = time.monotonic()
        unasked = now_s - self._asked_s > UNASKED_S or now_s - self._began_s > LONGEST_S
        over = unasked or self._ended.is_set() or self._stopping.is_set()
        if over:
            self._ended.set()
        return over or bool(self._trouble)

    def _on_connect(self, client: mqtt.Client, _d: Any, _f: Any, reason: Any, _p: Any) -> None:
        if reason.is_failure:
            self._trouble = f"the broker refuses the connection: {reason}"
        else:
            client.subscribe([(one, 0) for one in self._filters])

    def _on_subscribe(self, _c: mqtt.Client, _d: Any, _m: int, reasons: Any, _p: Any) -> None:
        refused = [str(reason) for reason in reasons if reason.is_failure]
        if refused:
            self._trouble = f"the broker refuses the subscription: {', '.join(refused)}"
        self._listening = not refused

    def _on_message(self, _client: mqtt.Client, _data: Any, message: mqtt.MQTTMessage) -> None:
        second = int(time.monotonic())
        self._in_second = self._in_second + 1 if second == self._second else 1
        self._second = second
        # What lies retained comes all at once, and is no rate.
        if self._in_second > MOST_A_SECOND and not message.retain:
            self._trouble = (
                f"more than {MOST_A_SECOND} messages a second: choose a narrower topic filter"
            )
            return
        try:
            topic = message.topic
        except UnicodeDecodeError:
            return
        with self._lock:
            self._remember(topic, bytes(message.payload), message.retain)

    def _remember(self, topic: str, payload: bytes, retain: bool) -> None:
        before = self._heard.get(topic)
        too_long = len(payload) if len(payload) > LONGEST_PAYLOAD else 0
        if too_long:
            payload = b""
        size = self._bytes + len(payload)
        size += len(topic) if before is None else -len(before.payload)
        full = before is None and len(self._heard) >= MOST_TOPICS
        if full or size > MOST_BYTES or len(topic) > LONGEST_TOPIC:
            self._left_out += 1
            return
        self._bytes = size
        count = 1 if before is None else before.count + 1
        arrival_us = to_us(self._clock.now())
        self._heard[topic] = Heard(topic, payload, count, arrival_us, retain, too_long)
