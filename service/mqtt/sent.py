"""The last message published on each topic, which the broker may not have taken yet."""

from __future__ import annotations

from collections.abc import Container

import paho.mqtt.client as mqtt


class SentMessages:
    """The last publishing by topic; not safe for several threads."""

    def __init__(self) -> None:
        """None yet."""
        self._sent: dict[str, mqtt.MQTTMessageInfo] = {}

    def note(self, topic: str, info: mqtt.MQTTMessageInfo) -> None:
        """A message is on its way."""
        self._sent[topic] = info

    def is_taken(self, topic: str) -> bool:
        """Whether the broker has taken what was published last: else that comes after all."""
        info = self._sent.get(topic)
        return info is None or _is_published(info)

    def on_their_way(self) -> list[str]:
        """Topics whose last message the broker has not taken."""
        return [topic for topic, info in self._sent.items() if not _is_published(info)]

    def forget_taken(self, needed: Container[str]) -> None:
        """Forget what was taken, but for the topics that are needed."""
        self._sent = {
            topic: info
            for topic, info in self._sent.items()
            if topic in needed or not _is_published(info)
        }


def _is_published(info: mqtt.MQTTMessageInfo) -> bool:
    """Whether the broker has taken a message; one that never left has an error in its place."""
    return info.rc == mqtt.MQTT_ERR_SUCCESS and info.is_published()
