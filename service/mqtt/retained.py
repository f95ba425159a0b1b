"""Retained messages of one integration: published when they change, withdrawn with their tank."""

from __future__ import annotations

import json
import logging
import threading
import time
from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

import paho.mqtt.client as mqtt
from paho.mqtt.reasoncodes import ReasonCode

from service.config import MqttConfig
from service.mqtt.connection import Will, publishing_client

STOP_WAIT_S: Final = 3.0

_log = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True)
class Leftover:
    """A retained message at the broker that an earlier run may have published.

    Attributes:
        group: the group it would belong to.
        topics: topics of that group that the message names, its own among them.
        ours: it shows that this integration published the whole group.
    """

    group: str
    topics: Collection[str]
    ours: bool


def json_payload(document: Mapping[str, Any]) -> str:
    """A document as the payload of a message: compact JSON in UTF-8."""
    return json.dumps(document, ensure_ascii=False, separators=(",", ":"))


class RetainedTopics:
    """Retained messages in groups, such as one group for each tank, on a connection of their own.

    An empty payload means that nothing is retained on a topic. Everything is published again
    whenever the broker is reached anew. What an earlier run has left at the broker is emptied: in
    a group that is set, its other topics; all topics of a group that ``retain_only`` leaves out.
    """

    def __init__(
        self,
        config: MqttConfig,
        role: str,
        *,
        qos: int,
        filters: Sequence[str],
        identify: Callable[[str, bytes], Leftover | None],
        will: Will | None = None,
        on_connected: Callable[[], None] = lambda: None,
        on_message: Callable[[str, bytes], None] = lambda *_: None,
    ) -> None:
        """Prepare; ``start`` connects.

        Args:
            role: end of the client's id.
            filters: MQTT filters of leftovers and of what ``on_message`` wants.
            identify: what a retained message at the broker is; None for a foreign one.
            will: what the broker publishes when the connection is lost.
            on_connected: called after everything was published on connecting.
            on_message: called with topic and payload of messages that are not retained.

        Raises:
            ConfigError: the broker's address or a certificate file is wrong.
        """
        self._role = role
        self._qos = qos
        self._filters = tuple(filters)
        self._identify = identify
        self._on_connected = on_connected
        self._on_other_message = on_message
        self._lock = threading.RLock()
        #: group -> topic -> payload, in the order of publishing.
        self._messages: dict[str, dict[str, str]] = {}
        #: group -> topics seen at the broker and not set in this run.
        self._leftovers: dict[str, set[str]] = {}
        #: groups that an earlier run of this integration published.
        self._ours: set[str] = set()
        #: all groups that there are; None: not known yet.
        self._existing: frozenset[str] | None = None
        #: set once everything was published on connecting; until then nothing else goes out.
        self._ready = False
        self._client = publishing_client(config, role, will)
        self._client.on_connect = self._on_connect
        self._client.on_disconnect = self._on_disconnect
        self._client.on_message = self._on_message

    @property
    def is_connected(self) -> bool:
        """Whether the broker is connected and has been sent everything."""
        return self._ready and self._client.is_connected()

    def start(self) -> None:
        """Connect in the background; a broker that is away is tried again."""
        self._client.loop_start()

    def messages(self, group: str) -> Mapping[str, str]:
        """Payload by topic as the group was last set; empty for a group that was not."""
        with self._lock:
            return dict(self._messages.get(group, {}))

    def set(
        self,
        group: str,
        messages: Mapping[str, str],
        *,
        first: tuple[str, str] | None = None,
    ) -> None:
        """Make these the messages of a group; what differs is published, in this order.

        Args:
            first: a message to publish before, whose topic is then published again.
        """
        with self._lock:
            before = self._messages.get(group, {})
            if first is not None:
                self._publish(*first)
            gone = (set(before) | self._leftovers.pop(group, set())) - set(messages)
            for topic in sorted(gone):
                self._publish(topic, "")
            again = first[0] if first is not None else None
            for topic, payload in messages.items():
                if topic == again or before.get(topic) != payload:
                    self._publish(topic, payload)
            self._messages[group] = dict(messages)

    def retain_only(self, groups: Iterable[str]) -> None:
        """Withdraw all groups but these, of this run and of earlier ones, now and later."""
        with self._lock:
            self._existing = frozenset(groups)
            for group in sorted({*self._messages, *self._ours} - self._existing):
                self._clear(group)

    def publish(self, messages: Iterable[tuple[str, str]]) -> None:
        """Publish messages that are not retained; lost while the broker is away."""
        with self._lock:
            for topic, payload in messages:
                if self.is_connected:
                    self._client.publish(topic, payload, qos=self._qos)

    def republish(self) -> None:
        """Publish all retained messages once more."""
        with self._lock:
            for messages in self._messages.values():
                for topic, payload in messages.items():
                    self._publish(topic, payload)

    def stop(self, last: Iterable[tuple[str, str]] = ()) -> None:
        """Publish the last retained messages, wait a little for them, disconnect."""
        with self._lock:
            sent = [info for one in last if (info := self._publish(*one)) is not None]
        end = time.monotonic() + STOP_WAIT_S
        for info in sent:
            try:
                info.wait_for_publish(max(0.0, end - time.monotonic()))
            except (RuntimeError, ValueError) as error:  # the connection went before it was sent
                _log.warning("%s: the last messages were not sent: %s", self._role, error)
                break
        self._client.disconnect()
        self._client.loop_stop()

    def _clear(self, group: str) -> None:
        """Empty all topics of a group, the last one first."""
        topics = list(reversed(self._messages.pop(group, {})))
        more = self._leftovers.pop(group, set()) - set(topics)
        for topic in (*topics, *sorted(more)):
            self._publish(topic, "")

    def _publish(self, topic: str, payload: str) -> mqtt.MQTTMessageInfo | None:
        # While the broker is away nothing is queued: all is published again on connecting.
        if not self.is_connected:
            return None
        return self._client.publish(topic, payload, qos=self._qos, retain=True)

    def _on_connect(
        self, client: mqtt.Client, _: Any, flags: mqtt.ConnectFlags, reason: ReasonCode, *__: Any
    ) -> None:
        if reason.is_failure:
            _log.warning("the broker refuses the client of integration %s: %s", self._role, reason)
            return
        with self._lock:
            client.subscribe([(one, 1) for one in self._filters])
            self._ready = True
            self.republish()
        self._on_connected()

    def _on_disconnect(self, *_: Any) -> None:
        self._ready = False

    def _on_message(self, _: mqtt.Client, __: Any, message: mqtt.MQTTMessage) -> None:
        if not message.retain:
            self._on_other_message(message.topic, bytes(message.payload))
            return
        found = self._identify(message.topic, bytes(message.payload)) if message.payload else None
        if found is None:
            return
        with self._lock:
            if found.ours:
                self._ours.add(found.group)
            current = self._messages.get(found.group)
            if current is not None:
                for topic in sorted(set(found.topics) - set(current)):
                    self._publish(topic, "")
                return
            self._leftovers.setdefault(found.group, set()).update(found.topics)
            if (
                self._existing is not None
                and found.group in self._ours
                and found.group not in self._existing
            ):
                _log.info("%s: %s no longer exists and is withdrawn", self._role, found.group)
                self._clear(found.group)
