"""Asks the broker for our topics, and tells second copies of a message apart."""

from __future__ import annotations

import logging
from collections.abc import Sequence
from typing import Any, Final

import paho.mqtt.client as mqtt
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.subscribeoptions import SubscribeOptions

from ingest.deliver.spool import Spool, SpoolFullError
from ingest.receive.subscriptions import any_overlap, first_match, widened
from service.config import MqttConfig

_log = logging.getLogger(__name__)
_ASKED: Final = "subscriptions"


class Subscriber:
    """Our subscriptions on one client; used on the network thread only.

    Attributes:
        complete: the broker has answered all of them since the last connect.
        refused: what it refused.
        told_apart: overlapping filters have a number each, and messages say which they are for.
    """

    def __init__(
        self,
        client: mqtt.Client,
        filters: Sequence[str],
        config: MqttConfig,
        group: str | None,
        memory: Spool,
    ) -> None:
        """Prepare; ``subscribe`` asks.

        Args:
            filters: none inside another.
            group: name of a shared subscription, or None.
            memory: remembers over restarts what the broker's session holds.
        """
        self._memory = memory
        self._client = client
        self._v5 = config.protocol == "5"
        self._qos = config.qos
        self._group = group
        self._filters = list(filters)
        self.told_apart = self._v5 and any_overlap(filters)
        self._pending: dict[int, list[str]] = {}
        self.complete = False
        self.refused = ""
        client.on_subscribe = self._on_subscribe

    def subscribe(self, properties: Any) -> None:
        """Ask for all topics; overlapping filters one by one, each with a number.

        What an earlier configuration asked for and this one does not is given up: the broker's
        session would go on to send it.

        Args:
            properties: what the broker said of itself when it accepted the connection.
        """
        client = self._client
        self._pending.clear()
        self.refused = ""
        if not (self.told_apart and getattr(properties, "SubscriptionIdentifierAvailable", True)):
            self.told_apart = False
            self._filters = widened(self._filters)
        self._give_up_others()
        if self.told_apart:
            for number, wanted in enumerate(self._filters, 1):
                numbered = Properties(PacketTypes.SUBSCRIBE)  # type: ignore[no-untyped-call]
                numbered.SubscriptionIdentifier = number
                self._sent(
                    [wanted], *client.subscribe([self._request(wanted)], properties=numbered)
                )
            return
        requests = [self._request(wanted) for wanted in self._filters]
        self._sent(self._filters, *client.subscribe(requests))

    def _give_up_others(self) -> None:
        asked = set((self._memory.note(_ASKED) or "").split("\n")) - {""}
        ours = {self._shared(wanted) for wanted in self._filters}
        self._remember(asked | ours)
        if others := sorted(asked - ours):
            _log.info("no longer wanted: %s", ", ".join(others))
            self._client.unsubscribe(others)

    def _remember(self, filters: set[str]) -> None:
        text = "\n".join(sorted(filters))
        if text == self._memory.note(_ASKED):
            return
        try:
            self._memory.keep_note(_ASKED, text)
        except SpoolFullError as error:
            _log.warning("the subscriptions cannot be remembered: %s", error)

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
