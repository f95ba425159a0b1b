"""MQTT topic filters: which cover or overlap others, so that no message comes twice.

A broker delivers a message once for each subscription that matches it (MQTT 5.0, section 3.3.4,
leaves that to the broker; mosquitto does). So a filter inside another is left out. Filters that
overlap in part are distinguished by subscription identifiers, or, before MQTT 5, widened to one.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import combinations


def without_covered(filters: Sequence[str]) -> list[str]:
    """The filters without those that lie wholly inside another, in their order."""
    unique = list(dict.fromkeys(filters))
    return [f for f in unique if not any(g != f and covers(g, f) for g in unique)]


def covers(wide: str, narrow: str) -> bool:
    """Whether every topic that the MQTT filter ``narrow`` matches is matched by ``wide``."""
    ours, theirs = wide.split("/"), narrow.split("/")
    for index, level in enumerate(ours):
        if level == "#":
            return True
        if index >= len(theirs) or theirs[index] == "#":
            return False
        if level not in ("+", theirs[index]):
            return False
    return len(ours) == len(theirs)


def overlap(first: str, second: str) -> bool:
    """Whether some topic is matched by both filters."""
    ours, theirs = first.split("/"), second.split("/")
    for mine, other in zip(ours, theirs, strict=False):
        if "#" in (mine, other):
            return True
        if "+" not in (mine, other) and mine != other:
            return False
    longer, shorter = sorted((ours, theirs), key=len, reverse=True)
    return longer[len(shorter) :] in ([], ["#"])


def any_overlap(filters: Sequence[str]) -> bool:
    """Whether some message would match two of the filters."""
    return any(overlap(a, b) for a, b in combinations(filters, 2))


def widened(filters: Sequence[str]) -> list[str]:
    """Filters that match at least the same topics, no two of them overlapping."""
    wide = without_covered(filters)
    while True:
        pair = next((p for p in combinations(wide, 2) if overlap(*p)), None)
        if pair is None:
            return wide
        both = _union(*pair)
        wide = without_covered([both if f == pair[0] else f for f in wide if f != pair[1]])


def _union(first: str, second: str) -> str:
    """The narrowest filter that covers both."""
    ours, theirs = first.split("/"), second.split("/")
    levels: list[str] = []
    for mine, other in zip(ours, theirs, strict=False):
        if "#" in (mine, other):
            return "/".join([*levels, "#"])
        levels.append(mine if mine == other else "+")
    return "/".join(levels if len(ours) == len(theirs) else [*levels, "#"])


def first_match(filters: Sequence[str], topic: str) -> int | None:
    """Index of the first filter that matches a topic."""
    return next((n for n, wanted in enumerate(filters) if covers(wanted, topic)), None)
