"""The messages that are to be retained at the broker, in groups; nothing is published here."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Final

CLEARED: Final = " cleared"
"""Stands for all groups; none has a blank."""


@dataclass(slots=True)
class Groups:
    """Messages by group, such as one group for each tank; not safe for several threads.

    Attributes:
        messages: group -> topic -> payload, in the order of publishing.
        emptied: group -> topics of another form, emptied before the group's messages are published.
        expected: topic -> payload, of all groups.
    """

    messages: dict[str, dict[str, str]] = field(default_factory=dict)
    emptied: dict[str, tuple[str, ...]] = field(default_factory=dict)
    expected: dict[str, str] = field(default_factory=dict)

    def of(self, group: str) -> dict[str, str]:
        """Payload by topic as the group was last set; empty for a group that was not."""
        return dict(self.messages.get(group, {}))

    def empty_before(self, group: str, topics: Sequence[str]) -> list[str]:
        """Make these the topics of a group that are emptied; returns the new ones, sorted."""
        new = sorted(set(topics) - set(self.emptied.get(group, ())))
        self.emptied[group] = tuple(topics)
        return new

    def set(self, group: str, messages: Mapping[str, str]) -> None:
        """Make these the messages of a group, whose former topics were withdrawn."""
        self.expected.update(messages)
        self.messages[group] = dict(messages)

    def withdraw(self, topic: str) -> None:
        """No message is expected there any more."""
        self.expected.pop(topic, None)

    def remove(self, group: str) -> list[str]:
        """Remove a group; returns its topics in the order of publishing."""
        self.emptied.pop(group, None)
        topics = list(self.messages.pop(group, {}))
        for topic in topics:
            self.withdraw(topic)
        return topics

    def all_messages(self, last: str | None) -> Iterator[tuple[str, str]]:
        """Topic and payload of all, those to be emptied first.

        Args:
            last: the group that comes after all others.
        """
        for topics in self.emptied.values():
            yield from ((topic, "") for topic in topics)
        for group in sorted(self.messages, key=lambda one: one == last):
            yield from self.messages[group].items()
