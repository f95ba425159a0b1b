"""A board: the retained messages of one outlet, kept at the broker as they should be."""

from __future__ import annotations

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
    """What a retained message that was seen at the broker tells.

    Attributes:
        group: the group it would belong to.
        topics: of that group, as far as the message tells.
        ours: it shows that the whole group was put there by this outlet, in an earlier run.
    """

    group: str
    topics: Collection[str]
    ours: bool


class Board:
    """Messages in groups, one group per device; published when they change and on connecting.

    An empty text means that nothing is to be retained there. What an earlier run left in a group
    is emptied as soon as the group is shown; where it is not, after ``patience_s``.
    """

    def __init__(
        self,
        config: MqttConfig,
        role: str,
        *,
        will: Will | None = None,
        qos: int,
        filters: Sequence[str],
        leftover: Callable[[str, bytes], Leftover | None],
        patience_s: float,
        connected: Callable[[], None] = lambda: None,
        heard: Callable[[str, bytes], None] = lambda *_: None,
    ) -> None:
        """Prepare; ``start`` connects.

        Args:
            role: tells this client's id from others.
            will: what the broker publishes when we are lost.
            filters: subscribed to, for leftovers and for what ``heard`` wants.
            leftover: tells what a retained message at the broker is; None where not ours.
            patience_s: how long groups of an earlier run may wait to be shown again.
            connected: called after everything was published on connecting.
            heard: called with messages that are not retained.

        Raises:
            ConfigError: the broker's address or a certificate file is wrong.
        """
        self._role = role
        self._qos = qos
        self._filters = tuple(filters)
        self._leftover = leftover
        self._connected = connected
        self._heard = heard
        self._lock = threading.RLock()
        #: group -> topic -> payload, in the order of publishing.
        self._wanted: dict[str, dict[str, str]] = {}
        #: group -> topics of it that were seen at the broker and are not ours of this run.
        self._left: dict[str, set[str]] = {}
        #: of those, the groups that this outlet has put there.
        self._ours: set[str] = set()
        self._patience_s = patience_s
        self._stopping = threading.Event()
        #: set once everything was published on connecting; until then nothing else goes out.
        self._connected_now = False
        self._client = publishing_client(config, role, will)
        self._client.on_connect = self._on_connect
        self._client.on_disconnect = self._on_disconnect
        self._client.on_message = self._on_message

    @property
    def is_connected(self) -> bool:
        """Whether the broker is connected and has been sent everything."""
        return self._connected_now and self._client.is_connected()

    def start(self) -> None:
        """Connect in the background; a broker that is away is tried again."""
        self._client.loop_start()
        threading.Thread(target=self._sweep_often, name=f"{self._role}-sweep", daemon=True).start()

    def show(
        self,
        group: str,
        messages: Mapping[str, str],
        *,
        first: tuple[str, str] | None = None,
    ) -> None:
        """Let a group be these messages and no others, published in this order.

        Args:
            first: a message to publish before, and then again what stands for its topic.
        """
        with self._lock:
            before = self._wanted.get(group, {})
            if first is not None:
                self._publish(*first)
            gone = (set(before) | self._left.pop(group, set())) - set(messages)
            for topic in sorted(gone):
                self._publish(topic, "")
            again = first[0] if first is not None else None
            for topic, payload in messages.items():
                if topic == again or before.get(topic) != payload:
                    self._publish(topic, payload)
            self._wanted[group] = dict(messages)

    def drop(self, group: str) -> None:
        """Empty all topics of a group, the last one first."""
        with self._lock:
            topics = list(reversed(self._wanted.pop(group, {})))
            more = self._left.pop(group, set()) - set(topics)
            for topic in (*topics, *sorted(more)):
                self._publish(topic, "")

    def say(self, messages: Iterable[tuple[str, str]]) -> None:
        """Publish messages that are not retained; lost while the broker is away."""
        with self._lock:
            for topic, payload in messages:
                if self.is_connected:
                    self._client.publish(topic, payload, qos=self._qos)

    def again(self) -> None:
        """Publish everything once more."""
        with self._lock:
            for messages in self._wanted.values():
                for topic, payload in messages.items():
                    self._publish(topic, payload)

    def stop(self, last: Iterable[tuple[str, str]]) -> None:
        """Publish the last retained messages, wait a little for them, disconnect."""
        self._stopping.set()
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

    def _sweep_often(self) -> None:
        while not self._stopping.wait(self._patience_s):
            with self._lock:
                for group in sorted(self._ours & set(self._left)):
                    _log.info("%s: %s is no longer there and is withdrawn", self._role, group)
                    self.drop(group)

    def _publish(self, topic: str, payload: str) -> mqtt.MQTTMessageInfo | None:
        # While the broker is away nothing is queued: all is published again on connecting.
        if not self.is_connected:
            return None
        return self._client.publish(topic, payload, qos=self._qos, retain=True)

    def _on_connect(
        self, client: mqtt.Client, _: Any, flags: mqtt.ConnectFlags, reason: ReasonCode, *__: Any
    ) -> None:
        if reason.is_failure:
            _log.warning("the broker refuses the client of outlet %s: %s", self._role, reason)
            return
        with self._lock:
            client.subscribe([(one, 1) for one in self._filters])
            self._connected_now = True
            self.again()
        self._connected()

    def _on_disconnect(self, *_: Any) -> None:
        self._connected_now = False

    def _on_message(self, _: mqtt.Client, __: Any, message: mqtt.MQTTMessage) -> None:
        if not message.retain:
            self._heard(message.topic, bytes(message.payload))
            return
        found = self._leftover(message.topic, bytes(message.payload)) if message.payload else None
        if found is None:
            return
        with self._lock:
            wanted = self._wanted.get(found.group)
            if wanted is None:
                self._left.setdefault(found.group, set()).update(found.topics)
                if found.ours:
                    self._ours.add(found.group)
                return
            for topic in sorted(set(found.topics) - set(wanted)):
                self._publish(topic, "")
