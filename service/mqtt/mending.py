"""Retained messages that arrive from the broker: what others wrote is mended, leftovers emptied."""

from __future__ import annotations

import logging
import time
from collections.abc import Callable, Collection
from typing import Final

from service.mqtt.differences import Differences
from service.mqtt.groups import Groups
from service.mqtt.leftovers import LONGEST_TOPIC, Leftover, Leftovers
from service.mqtt.sent import SentMessages

_log: Final = logging.getLogger(__name__)


class Mending:
    """Compares what arrives with what was published; not safe for several threads.

    Attributes:
        differences: topics that are not as they were published.
        leftovers: what an earlier run has left.
        existing: all groups that there are; None: not known yet.
        heard_s: when the broker was reached, or last sent what an earlier run has left.
    """

    def __init__(
        self,
        role: str,
        groups: Groups,
        sent: SentMessages,
        publish: Callable[[str, str], object],
        clear: Callable[[str], None],
        identify: Callable[[str, bytes], Leftover | None],
        at_once: Collection[str],
    ) -> None:
        """Nothing has arrived yet.

        Args:
            role: of the integration, for the log.
            groups: what is to be retained.
            sent: what is on its way.
            publish: called with topic and payload.
            clear: empties all topics of a group.
            identify: what a retained message at the broker is; None for a foreign one.
            at_once: topics of ours that are mended at once.
        """
        self.differences = Differences()
        self.leftovers = Leftovers()
        self.existing: frozenset[str] | None = None
        self.heard_s = 0.0
        self._role = role
        self._groups = groups
        self._sent = sent
        self._publish = publish
        self._clear = clear
        self._identify = identify
        self._at_once = frozenset(at_once)
        self._warned = False

    def arrived(self, topic: str, payload: bytes) -> None:
        """A message arrived on a topic of ours."""
        expected = self._groups.expected[topic]
        if payload == expected.encode():
            self.differences.settle(topic)
        elif self._sent.is_taken(topic):
            self.differences.note(topic)
            if topic in self._at_once and self.differences.take_at_once():
                self._publish(topic, expected)

    def arrived_elsewhere(self, topic: str, payload: bytes) -> None:
        """A retained message that is not of this run."""
        if not payload:
            self.differences.settle(topic)
            return
        found = self._identify(topic, payload) if self._sent.is_taken(topic) else None
        if found is None:
            return
        self.heard_s = time.monotonic()
        self.leftovers.see(found)
        if found.group in self._groups.messages:
            for one in sorted(set(found.topics) - set(self._groups.messages[found.group])):
                self._empty(one)
            return
        self.leftovers.add(found)
        if (
            self.existing is not None
            and found.group in self.leftovers.ours
            and found.group not in self.existing
        ):
            _log.info("%s: %s no longer exists and is withdrawn", self._role, found.group)
            self._clear(found.group)

    def retain_only(self, groups: Collection[str]) -> None:
        """Empty all groups but these."""
        self.existing = frozenset(groups)
        for group in sorted({*self._groups.messages, *self.leftovers.ours} - self.existing):
            self._clear(group)

    def claim(self, groups: Collection[str]) -> None:
        """Take for ours what another process published that has ended."""
        self.leftovers.ours.update(groups)
        if self.existing is not None:
            for group in sorted(set(groups) - self.existing):
                self._clear(group)

    def mend(self, now_s: float) -> None:
        """Publish anew what others wrote over, empty what they added."""
        self._sent.forget_taken(self._groups.expected)
        for topic in self.differences.take_due(self._groups.expected, now_s):
            if not self._warned:
                self._warned = True
                _log.warning(
                    "integration %s: %.200s was not as it was published, and is mended; further "
                    "ones are only counted", self._role, topic,
                )  # fmt: skip
            self._publish(topic, self._groups.expected.get(topic, ""))

    def _empty(self, topic: str) -> None:
        """Empty a topic of nobody, now or at the next evaluation."""
        if self.differences.take_at_once():
            self._publish(topic, "")
        elif len(topic) <= LONGEST_TOPIC:
            self.differences.note(topic)
