"""Retained messages of one integration: published when they change, withdrawn with their tank."""

from __future__ import annotations

import json
import logging
import threading
import time
from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from typing import Any, Final

import paho.mqtt.client as mqtt
from paho.mqtt.reasoncodes import ReasonCode

from service.config import MqttConfig
from service.mqtt.connection import Will, publishing_client, publishing_id
from service.mqtt.groups import CLEARED, Groups
from service.mqtt.leftovers import Leftover
from service.mqtt.mending import Mending
from service.mqtt.own_subscriptions import OwnSubscriptions
from service.mqtt.same_client_id import SameClientId
from service.mqtt.sent import SentMessages

STOP_WAIT_S: Final = 3.0
_log = logging.getLogger(__name__)


def json_payload(document: Mapping[str, Any]) -> str:
    """A document as the payload of a message: compact JSON in UTF-8."""
    return json.dumps(document, ensure_ascii=False, separators=(",", ":"))


class RetainedTopics:
    """Retained messages in groups, such as one group for each tank, on a connection of their own.

    An empty payload means that nothing is retained on a topic. Everything is published again
    whenever the broker is reached anew. What an earlier run has left at the broker is emptied: in
    a group that is set, its other topics; all topics of a group that ``retain_only`` leaves out.

    What others write on these topics is mended at the next ``retain_only``: a message of ours is
    published anew, and any other in a group that is set is emptied. By MQTT 3.1.1 new topics of
    others are seen when the subscriptions are renewed, every ``RENEW_S``.
    """

    def __init__(
        self,
        config: MqttConfig,
        role: str,
        *,
        qos: int,
        filters: Sequence[str],
        identify: Callable[[str, bytes], Leftover | None],
        group_filters: Callable[[str], Sequence[str]] = lambda _: (),
        others: Sequence[str] = (),
        will: Will | None = None,
        on_connected: Callable[[], None] = lambda: None,
        on_message: Callable[[str, bytes], None] = lambda *_: None,
        on_live: Callable[[str, bytes], None] = lambda *_: None,
        last_group: str | None = None,
        owned: Callable[[], Callable[[str], bool]] = lambda: lambda _: True,
        at_once: Collection[str] = (),
    ) -> None:
        """Prepare; ``start`` connects.

        Args:
            role: end of the client's id.
            filters: MQTT filters of leftovers.
            identify: what a retained message at the broker is; None for a foreign one.
            group_filters: filters of a group's own topics, where ``filters`` do not have them.
            others: filters of what ``on_message`` wants.
            will: what the broker publishes when the connection is lost.
            on_connected: called after everything was published on connecting.
            on_message: called with topic and payload of messages of ``others`` that are not
                retained.
            on_live: likewise for those of ``filters`` that are none of ours. By MQTT 3.1.1 what is
                published is not told from what is retained while it is published.
            last_group: published after all others when the broker is reached anew.
            owned: asked when the broker is reached anew, after which groups are still to be
                published here: the others are another process' now.
            at_once: topics of ours that are mended at once.

        Raises:
            ConfigError: the broker's address or a certificate file is wrong.
        """
        self._role = role
        self._qos = qos
        self._group_filters = group_filters
        self._last_group = last_group
        self._owned = owned
        self._on_connected = on_connected
        self._on_other_message = on_message
        self._on_live = on_live
        self._lock = threading.RLock()
        self._groups = Groups()
        self._sent = SentMessages()
        self._mending = Mending(
            role, self._groups, self._sent, self._publish, self._clear, identify, at_once
        )
        #: set once everything was published on connecting; until then nothing else goes out.
        self._ready = False
        self._client = publishing_client(config, role, will)
        v5 = config.protocol == "5"
        self._subscriptions = OwnSubscriptions(self._client, filters, others, v5=v5)
        self._same_id = SameClientId(publishing_id(config, role))
        self._client.on_connect = self._on_connect
        self._client.on_connect_fail = lambda *_: self._same_id.unreachable()
        self._client.on_disconnect = self._on_disconnect
        self._client.on_message = self._on_message

    @property
    def is_connected(self) -> bool:
        """Whether the broker is connected and has been sent everything."""
        return self._ready and self._client.is_connected()

    @property
    def mended(self) -> int:
        """Topics that were not as they were published, and were mended."""
        return self._mending.differences.mended

    def start(self) -> None:
        """Connect in the background; a broker that is away is tried again."""
        self._client.loop_start()

    def messages(self, group: str) -> Mapping[str, str]:
        """Payload by topic as the group was last set; empty for a group that was not."""
        with self._lock:
            return self._groups.of(group)

    def set(
        self,
        group: str,
        messages: Mapping[str, str],
        *,
        first: tuple[str, str] | None = None,
        emptied: Sequence[str] = (),
    ) -> None:
        """Make these the messages of a group; what differs is published, in this order.

        Args:
            first: a message to publish before, whose topic is then published again.
            emptied: topics that another configuration would use for the same; emptied before, once
                on each connection.
        """
        with self._lock:
            for topic in self._groups.empty_before(group, emptied):
                self._publish(topic, "")
            before = self._groups.of(group)
            if first is not None:
                self._publish(*first)
            gone = (set(before) | self._mending.leftovers.pop(group)) - set(messages)
            for topic in sorted(gone):
                self._withdraw(topic)
            again = first[0] if first is not None else None
            for topic, payload in messages.items():
                if topic == again or before.get(topic) != payload:
                    self._publish(topic, payload)
            if group not in self._groups.messages and self.is_connected:
                self._subscriptions.subscribe(self._group_filters(group))
            self._groups.set(group, messages)

    def retain_only(self, groups: Iterable[str]) -> None:
        """Withdraw all groups but these, now and later; mends what others wrote, too."""
        with self._lock:
            self._mending.retain_only(frozenset(groups))
            if self.is_connected:
                now_s = time.monotonic()
                self._mending.mend(now_s)
                if self._subscriptions.is_renewal_due(now_s):
                    self._subscribe_all()

    def release(self, groups: Iterable[str]) -> None:
        """Leave groups to another process, with what is published of them."""
        with self._lock:
            for group in groups:
                if group not in self._groups.messages:
                    continue
                if self.is_connected:
                    self._subscriptions.unsubscribe(self._group_filters(group))
                topics = self._groups.remove(group)
                # Should it come back, what the other one has left there is emptied.
                self._mending.leftovers.add(Leftover(group, tuple(topics), ours=False))
            self._mending.differences.forget_others(self._groups.expected)

    def claim(self, groups: Collection[str]) -> None:
        """Take for ours what another process published that has ended; it is withdrawn likewise."""
        with self._lock:
            self._mending.claim(groups)

    def clear(self, topics: Iterable[str]) -> None:
        """Withdraw all that is ours, of this run and of earlier ones; call it before ``start``.

        Args:
            topics: those that no message at the broker shows to be ours.
        """
        with self._lock:
            self._groups.empty_before(CLEARED, tuple(topics))
            self.retain_only(())

    @property
    def quiet_s(self) -> float:
        """Seconds since the broker was reached or sent what an earlier run has left; else 0."""
        return time.monotonic() - self._mending.heard_s if self.is_connected else 0.0

    def publish(self, messages: Iterable[tuple[str, str]]) -> None:
        """Publish messages that are not retained; lost while the broker is away."""
        with self._lock:
            for topic, payload in messages:
                if self.is_connected:
                    self._client.publish(topic, payload, qos=self._qos)

    def republish(self) -> None:
        """Publish all retained messages once more."""
        with self._lock:
            for topic, payload in self._groups.all_messages(self._last_group):
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
        if group in self._groups.messages and self.is_connected:
            self._subscriptions.unsubscribe(self._group_filters(group))
        topics = self._groups.remove(group)[::-1]
        more = self._mending.leftovers.pop(group) - set(topics)
        for topic in (*topics, *sorted(more)):
            self._withdraw(topic)

    def _withdraw(self, topic: str) -> None:
        self._groups.withdraw(topic)
        self._publish(topic, "")

    def _publish(self, topic: str, payload: str) -> mqtt.MQTTMessageInfo | None:
        # While the broker is away nothing is queued: all is published again on connecting.
        if not self.is_connected:
            return None
        self._mending.differences.settle(topic)
        info = self._client.publish(topic, payload, qos=self._qos, retain=True)
        self._sent.note(topic, info)
        return info

    def _subscribe_all(self) -> None:
        self._subscriptions.subscribe_all(
            one for group in self._groups.messages for one in self._group_filters(group)
        )

    def _on_connect(
        self, client: mqtt.Client, _: Any, flags: mqtt.ConnectFlags, reason: ReasonCode, *__: Any
    ) -> None:
        if reason.is_failure:
            _log.warning("the broker refuses the client of integration %s: %s", self._role, reason)
            return
        owned = self._owned()
        with self._lock:
            self.release([group for group in self._groups.messages if not owned(group)])
            overtaken = self._sent.on_their_way()  # the client sends it once more, after this
            self._subscribe_all()
            self._ready = True
            self._mending.heard_s = time.monotonic()
            self.republish()
            for topic in overtaken:
                self._mending.differences.note(topic)
        self._on_connected()

    def _on_disconnect(
        self, _: mqtt.Client, __: Any, ___: mqtt.DisconnectFlags, reason: ReasonCode, *____: Any
    ) -> None:
        was_ready, self._ready = self._ready, False
        if reason.is_failure and was_ready:
            _log.warning("integration %s: %s", self._role, self._same_id.ended(reason))

    def _on_message(self, _: mqtt.Client, __: Any, message: mqtt.MQTTMessage) -> None:
        try:
            topic, payload = message.topic, bytes(message.payload)
        except UnicodeDecodeError:
            return  # no text, so none of ours
        with self._lock:
            if topic in self._groups.expected:
                self._mending.arrived(topic, payload)
                return
        if self._subscriptions.is_of_others(topic):
            if not message.retain:
                self._on_other_message(topic, payload)
        # By MQTT 3.1.1 a live message does not tell whether it is retained.
        elif message.retain:
            with self._lock:
                self._mending.arrived_elsewhere(topic, payload)
        else:
            self._on_live(topic, payload)
