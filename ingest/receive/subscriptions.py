"""Subscribes to our topics, and recognises second copies of a message."""

from __future__ import annotations

import logging
from collections.abc import Sequence
from typing import Any, Final, Protocol

import paho.mqtt.client as mqtt
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.subscribeoptions import SubscribeOptions

from ingest.decode.topic_filters import any_overlap, first_match, widened
from service.config import MqttConfig

_log = logging.getLogger(__name__)
_SUBSCRIBED: Final = "subscriptions"


class Notes(Protocol):
    """Short texts that outlive the process."""

    def note(self, name: str) -> str | None:
        """The text that was saved by a name; None if there is none."""
        ...

    def save_note(self, name: str, text: str) -> None:
        """Save a text; a full disk is logged, not raised."""
        ...


class Subscriptions:
    """Our subscriptions on one client; used on the network thread only.

    Attributes:
        complete: the broker has answered all of them since the last connect.
        refused: what it refused.
        numbered: overlapping filters have an identifier each, which messages carry.
    """

    def __init__(
        self,
        client: mqtt.Client,
        filters: Sequence[str],
        config: MqttConfig,
        group: str | None,
        notes: Notes,
    ) -> None:
        """Prepare; ``subscribe`` asks.

        Args:
            filters: none inside another.
            group: name of a shared subscription, or None.
            notes: remember over restarts what the session at the broker has subscribed.
        """
        self._notes = notes
        self._client = client
        self._v5 = config.protocol == "5"
        self._qos = config.qos
        self._group = group
        self._filters = list(filters)
        self.numbered = self._v5 and any_overlap(filters)
        self._pending: dict[int, list[str]] = {}
        self.complete = False
        self.refused = ""
        client.on_subscribe = self._on_subscribe

    def subscribe(self, properties: Any) -> None:
        """Subscribe to all topics; overlapping filters one by one, each with an identifier.

        What only an earlier configuration subscribed is unsubscribed: the broker's session would
        go on to send it.

        Args:
            properties: the broker's capabilities, from its CONNACK.
        """
        client = self._client
        self._pending.clear()
        self.refused = ""
        if not (self.numbered and getattr(properties, "SubscriptionIdentifierAvailable", True)):
            self.numbered = False
            self._filters = widened(self._filters)
        self._unsubscribe_others()
        if self.numbered:
            for number, wanted in enumerate(self._filters, 1):
                properties = Properties(PacketTypes.SUBSCRIBE)  # type: ignore[no-untyped-call]
                properties.SubscriptionIdentifier = number
                self._sent(
                    [wanted], *client.subscribe([self._request(wanted)], properties=properties)
                )
            return
        requests = [self._request(wanted) for wanted in self._filters]
        self._sent(self._filters, *client.subscribe(requests))

    def _unsubscribe_others(self) -> None:
        subscribed = set((self._notes.note(_SUBSCRIBED) or "").split("\n")) - {""}
        ours = {self._shared(wanted) for wanted in self._filters}
        self._remember(subscribed | ours)
        if others := sorted(subscribed - ours):
            _log.info("no longer wanted: %s", ", ".join(others))
            self._client.unsubscribe(others)

    def _remember(self, filters: set[str]) -> None:
        text = "\n".join(sorted(filters))
        if text != self._notes.note(_SUBSCRIBED):
            self._notes.save_note(_SUBSCRIBED, text)

    def is_second_copy(self, message: mqtt.MQTTMessage) -> bool:
        """Whether this copy is for a filter after the first that matches; that one counts."""
        numbers: list[int] | None = getattr(message.properties, "SubscriptionIdentifier", None)
        first = first_match(self._filters, message.topic)
        return numbers is not None and first is not None and first + 1 not in numbers

    def _sent(self, wanted: list[str], _result: object, mid: int | None) -> None:
        if mid is not None:
            self._pending[mid] = wanted

    def _shared(self, wanted: str) -> str:
        return f"$share/{self._group}/{wanted}" if self._group else wanted

    def _request(self, wanted: str) -> Any:
        shared = self._shared(wanted)
        if not self._v5:
            return (shared, self._qos)
        # What lies retained is sent for a new subscription only, not after each reconnect; what we
        # publish ourselves is not sent back (a shared subscription must not ask for that).
        return (
            shared,
            SubscribeOptions(
                qos=self._qos,
                noLocal=self._group is None,
                retainHandling=SubscribeOptions.RETAIN_SEND_IF_NEW_SUB,
            ),
        )

    def _on_subscribe(
        self, _client: mqtt.Client, _data: Any, mid: int, reasons: Any, _properties: Any
    ) -> None:
        for wanted, reason in zip(self._pending.pop(mid, []), reasons, strict=False):
            if reason.is_failure:
                self.refused = f"the broker refuses the subscription to {wanted}: {reason}"
                _log.error("%s", self.refused)
        self.complete = not self._pending
        if self.complete:
            self._remember({self._shared(wanted) for wanted in self._filters})
