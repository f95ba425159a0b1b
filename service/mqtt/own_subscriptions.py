"""Subscriptions of a client to the topics that it publishes, to see what others write there."""

from __future__ import annotations

import time
from collections.abc import Iterable, Sequence
from typing import Final

import paho.mqtt.client as mqtt
from paho.mqtt.subscribeoptions import SubscribeOptions

RENEW_S: Final = 600.0
"""Subscriptions by MQTT 3.1.1 are renewed so often, to see what is retained. Our choice."""


class OwnSubscriptions:
    """Filters that one client subscribes to; by MQTT 5 without what it publishes itself."""

    def __init__(
        self, client: mqtt.Client, filters: Sequence[str], others: Sequence[str], *, v5: bool
    ) -> None:
        """Prepare; nothing is subscribed yet.

        Args:
            filters: of topics of our own.
            others: of topics that others alone write.
        """
        self._client = client
        self._filters = tuple(filters)
        self._others = tuple(others)
        self._v5 = v5
        self._renewed_s = 0.0

    def is_of_others(self, topic: str) -> bool:
        """Whether a topic is one that others alone write."""
        return any(mqtt.topic_matches_sub(one, topic) for one in self._others)

    def subscribe_all(self, more: Iterable[str]) -> None:
        """Subscribe to all; by MQTT 3.1.1 the broker then sends again what it retains.

        Args:
            more: filters of our own besides.
        """
        self._renewed_s = time.monotonic()
        self.subscribe((*self._filters, *more))
        if self._others:
            self._client.subscribe([(one, 1) for one in self._others])

    def subscribe(self, filters: Sequence[str]) -> None:
        """Subscribe to some of our own; the messages say whether they are retained."""
        if not filters:
            return
        if self._v5:
            options = SubscribeOptions(qos=1, noLocal=True, retainAsPublished=True)
            self._client.subscribe([(one, options) for one in filters])
        else:
            self._client.subscribe([(one, 1) for one in filters])

    def unsubscribe(self, filters: Sequence[str]) -> None:
        """Hear nothing more by some filters."""
        if filters:
            self._client.unsubscribe(list(filters))

    def is_renewal_due(self, now_s: float) -> bool:
        """Whether it is time to see anew what is retained, by ``time.monotonic``."""
        return not self._v5 and now_s - self._renewed_s >= RENEW_S
