"""Subscribes to our topics, and recognises second copies of a message."""

from __future__ import annotations

import logging
from collections.abc import Mapping, Sequence
from typing import Any, Final, Protocol

import paho.mqtt.client as mqtt
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.subscribeoptions import SubscribeOptions

from ingest.decode.topic_filters import any_overlap, covers, first_match, widened
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

    Where filters overlap, each has a number, which its copies of a message carry (MQTT 5.0, section
    3.3.2.3.8). A number belongs to its filter as long as the session remembers it, and a newer
    filter has a higher one: what a message carries is so understood also when it was sent before
    the filters changed.

    Attributes:
        complete: the broker has answered all of them since the last connect or change.
        refused: what it refused.
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
        self._wanted = list(filters)
        self._may_number = False
        self._numbers = _read_numbers(notes.note(_SUBSCRIBED) or "")
        self._filters: list[str] = []
        self._subscribed: dict[str, bool] = {}
        self._pending: dict[int, list[str]] = {}
        self.complete = False
        self.refused = ""
        client.on_subscribe = self._on_subscribe

    def subscribe(self, properties: Any) -> None:
        """Subscribe to all topics on a new connection.

        Args:
            properties: the broker's capabilities, from its CONNACK.
        """
        self._may_number = self._v5 and bool(
            getattr(properties, "SubscriptionIdentifierAvailable", True)
        )
        self._subscribed.clear()
        self._pending.clear()
        self.refused = ""
        self._update()

    def change(self, filters: Sequence[str]) -> None:
        """Want other filters from now on; on a connection that is there at once.

        A new filter is subscribed before an old one is given up, so that nothing is missed.
        """
        self._wanted = list(filters)
        if self._client.is_connected():
            self.refused = ""
            self._update()

    def _update(self) -> None:
        """Subscribe to what is new, and give up what is no longer wanted.

        The broker's session would go on to send what only an earlier configuration subscribed.
        """
        client = self._client
        self._filters = self._to_subscribe()
        for wanted in map(self._shared, self._filters):
            self._numbers.setdefault(wanted, max(self._numbers.values(), default=0) + 1)
        self._filters.sort(key=self._number)
        numbered = self._may_number and any_overlap(self._filters)
        new = [one for one in self._filters if self._subscribed.get(one) is not numbered]
        others = sorted(set(self._numbers) - set(map(self._shared, self._filters)))
        self._remember(self._numbers)
        if numbered:
            for wanted in new:
                properties = Properties(PacketTypes.SUBSCRIBE)  # type: ignore[no-untyped-call]
                properties.SubscriptionIdentifier = self._number(wanted)
                request = [self._request(wanted)]
                self._sent([wanted], *client.subscribe(request, properties=properties))
        elif new:
            self._sent(new, *client.subscribe([self._request(wanted) for wanted in new]))
        self._subscribed = dict.fromkeys(self._filters, numbered)
        if others:
            _log.info("no longer wanted: %s", ", ".join(others))
            client.unsubscribe(others)
            for one in others:
                del self._numbers[one]
            if not new:
                self._remember(self._numbers)

    def _to_subscribe(self) -> list[str]:
        """The filters: with those that are subscribed and inside another, or widened to none such.

        To give up a filter inside another would make second copies of first ones.
        """
        if not self._may_number:
            return widened(self._wanted)
        before = [one for one in map(self._unshared, self._numbers) if one is not None]
        inside = [
            one
            for one in before
            if one not in self._wanted and any(covers(wide, one) for wide in self._wanted)
        ]
        return [*self._wanted, *inside]

    def _number(self, wanted: str) -> int:
        return self._numbers[self._shared(wanted)]

    def _remember(self, numbers: Mapping[str, int]) -> None:
        text = "\n".join(f"{number} {name}" for name, number in sorted(numbers.items()))
        if text != self._notes.note(_SUBSCRIBED):
            self._notes.save_note(_SUBSCRIBED, text)

    def is_second_copy(self, message: mqtt.MQTTMessage) -> bool:
        """Whether this copy is for a filter after the first that matches; that one counts.

        One of an older filter, which is given up by now, may be the only copy.
        """
        numbers: list[int] | None = getattr(message.properties, "SubscriptionIdentifier", None)
        first = first_match(self._filters, message.topic)
        if not numbers or first is None:
            return False
        return min(numbers) > self._number(self._filters[first])

    def _sent(self, wanted: list[str], _result: object, mid: int | None) -> None:
        if mid is not None:
            self._pending[mid] = wanted
            self.complete = False

    def _shared(self, wanted: str) -> str:
        return f"$share/{self._group}/{wanted}" if self._group else wanted

    def _unshared(self, name: str) -> str | None:
        """The filter of a name that is subscribed; None of another group."""
        if self._group is None:
            return None if name.startswith("$share/") else name
        start = f"$share/{self._group}/"
        return name.removeprefix(start) if name.startswith(start) else None

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
            self._remember(self._numbers)


def _read_numbers(text: str) -> dict[str, int]:
    """What ``_remember`` wrote."""
    pairs = (line.partition(" ") for line in text.split("\n"))
    return {name: int(number) for number, _, name in pairs if name and number.isdecimal()}
