"""Retained messages at the broker that an earlier run of an integration may have published."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from typing import Final

MOST_LEFTOVERS: Final = 10_000
"""Topics of groups that are not set, remembered in case that they are ours. Our choice."""
LONGEST_TOPIC: Final = 1_000
"""Letters of a topic; ours are shorter, and longer ones are not remembered. Our choice."""


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


class Leftovers:
    """Topics at the broker by group, of groups that are not set; not safe for several threads.

    Attributes:
        ours: groups that an earlier run of this integration published.
    """

    def __init__(self) -> None:
        """None yet."""
        self.ours: set[str] = set()
        self._topics: dict[str, set[str]] = {}
        self._count = 0

    def see(self, found: Leftover) -> None:
        """Remember a group that is ours."""
        if found.ours and len(self.ours) < MOST_LEFTOVERS:
            self.ours.add(found.group)

    def add(self, found: Leftover) -> None:
        """Remember the topics of a group, as far as there is room for them."""
        known = self._topics.get(found.group, set())
        new = sorted(one for one in set(found.topics) - known if len(one) <= LONGEST_TOPIC)
        new = new[: MOST_LEFTOVERS - self._count]
        if new:
            self._topics.setdefault(found.group, set()).update(new)
            self._count += len(new)

    def pop(self, group: str) -> set[str]:
        """The topics of a group, which are no longer remembered."""
        topics = self._topics.pop(group, set())
        self._count -= len(topics)
        return topics
