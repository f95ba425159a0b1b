"""Topics at the broker that are not as they were published, and when each is mended."""

from __future__ import annotations

from collections.abc import Container
from typing import Final

MOST_NOTED: Final = 1_000
"""Differences that wait to be mended; more are seen again on the next connection. Our choice."""
MOST_AT_ONCE: Final = 100
"""Differences that are mended at one evaluation. Our choice."""
FIRST_WAIT_S: Final = 60.0
LONGEST_WAIT_S: Final = 3600.0
"""A topic that differs again is mended after these waits, doubling: two writers who both mend
would else go on for ever at full speed. Our choice."""


class Differences:
    """Topics that differ; not safe for several threads.

    Attributes:
        mended: how many were mended.
    """

    def __init__(self) -> None:
        """None differ."""
        self.mended = 0
        self._noted: dict[str, None] = {}
        #: topic -> how often it was mended in a row, and from when on it may be again, s.
        self._waits: dict[str, tuple[int, float]] = {}
        self._at_once = MOST_AT_ONCE

    def __len__(self) -> int:
        return len(self._noted)

    def note(self, topic: str) -> None:
        """A topic differs."""
        if len(self._noted) < MOST_NOTED:
            self._noted[topic] = None

    def settle(self, topic: str) -> None:
        """A topic is as it should be."""
        self._noted.pop(topic, None)

    def forget_others(self, ours: Container[str]) -> None:
        """Forget the topics without a message of ours: they may be another process' now."""
        self._noted = {topic: None for topic in self._noted if topic in ours}

    def take_at_once(self) -> bool:
        """Whether a topic of nobody may be emptied without waiting for the next evaluation."""
        if self._at_once <= 0:
            return False
        self._at_once -= 1
        self.mended += 1
        return True

    def take_due(self, ours: Container[str], now_s: float) -> list[str]:
        """The topics to be mended now; they count as mended.

        Args:
            ours: topics with a message of ours: only these are waited for.
        """
        self._at_once = MOST_AT_ONCE
        self._waits = {
            topic: wait
            for topic, wait in self._waits.items()
            if topic in ours and now_s < wait[1] + LONGEST_WAIT_S
        }
        due = [topic for topic in self._noted if self._waits.get(topic, (0, 0.0))[1] <= now_s]
        due = due[:MOST_AT_ONCE]
        for topic in due:
            del self._noted[topic]
            if topic in ours:
                count = self._waits.get(topic, (0, 0.0))[0]
                wait_s = min(FIRST_WAIT_S * 2 ** min(count, 10), LONGEST_WAIT_S)
                self._waits[topic] = (count + 1, now_s + wait_s)
        self.mended += len(due)
        return due
