"""Partitions of the tanks, and how several schedulers divide them among each other: pure.

Each tank is in one of a fixed number of partitions, by a hash of its id. A partition has one lease,
and so has the upkeep of the registry (deleting what is old). Every scheduler gives up what it holds
above its part and takes what is free below it; whatever order they do so in, each ends with an
equal part, and a lease moves only where it has to.
"""

from __future__ import annotations

import hashlib
from collections import Counter
from collections.abc import Collection, Mapping
from dataclasses import dataclass
from typing import Final

PARTITIONS: Final = 64
"""More than there will be schedulers of one registry, few enough to read all in a blink. Fixed: two
programs that divide differently would evaluate a tank twice. Our choice."""

UPKEEP: Final = "upkeep"
LEASES: Final = (*(f"tanks-{number:02}" for number in range(PARTITIONS)), UPKEEP)
"""The names of all leases."""

NOBODY: Final = ""
"""Holds a lease that is free."""


@dataclass(frozen=True, slots=True)
class Moves:
    """What a scheduler is to change.

    Attributes:
        take: leases that are free.
        give: leases that it holds above its part.
    """

    take: tuple[str, ...] = ()
    give: tuple[str, ...] = ()


def partition_of(tank: str) -> str:
    """The lease that whoever evaluates a tank has to hold."""
    digest = hashlib.blake2s(tank.encode(), digest_size=4).digest()
    return LEASES[int.from_bytes(digest, "big") % PARTITIONS]


def moves(member: str, live: Collection[str], holders: Mapping[str, str]) -> Moves:
    """What one scheduler is to take and to give up.

    Args:
        member: it; one of ``live``.
        live: the ids of all schedulers that run.
        holders: who holds each lease; what is left out, or held by none of ``live``, is free.
    """
    held = {name: holders.get(name, NOBODY) for name in LEASES}
    count = Counter(dict.fromkeys(live, 0))
    count.update(holder for holder in held.values() if holder in count)
    # The odd ones stay with those that hold most, so that they need not move.
    ranked = sorted(live, key=lambda one: (-count[one], one))
    least, odd = divmod(len(LEASES), len(ranked))
    part = least + (ranked.index(member) < odd)
    own = [name for name in LEASES if held[name] == member]
    if len(own) > part:
        return Moves(give=tuple(own[part:]))
    free = [name for name in LEASES if held[name] not in count]
    return Moves(take=tuple(free[: part - len(own)]))
