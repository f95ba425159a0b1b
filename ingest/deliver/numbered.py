"""Remembers messages with a sequence number: one that comes again is the same reading.

A broker that was killed may deliver again what it had delivered, and a board may publish again
what it holds to be unpublished: as a new message, which the journal does not know. One with a
sequence number is the same when it is the same byte for byte on the same topic; it gets the
arrival that it had, and so is the same reading. The entries are written before the readings.
"""

from __future__ import annotations

import struct
from collections.abc import Sequence
from typing import Final

from ingest.decode.message import DIGEST_BYTES, ClockState, FirstDelivery, Message, digest_of
from ingest.deliver.spool import Spool

#: As many are remembered, some 10 MB of memory: more than wait at the broker of many tanks.
MOST: Final = 50_000
#: For so long, microseconds. Our choice: a board may count from 0 again after a restart, and the
#: same number with the same value is then another reading.
LIFETIME_US: Final = 24 * 3_600_000_000
_ENTRY: Final = struct.Struct(f"<{DIGEST_BYTES}sqB")
#: Entries written between two deletions of old ones.
_PRUNE_EVERY: Final = 2000


class NumberedMessages:
    """The last messages with a sequence number, also over a restart; used by one thread."""

    def __init__(self, spool: Spool, most: int = MOST) -> None:
        """Read the entries of an earlier run."""
        self._spool = spool
        self._most = most
        self._entries: dict[bytes, FirstDelivery] = {}
        self._new: list[tuple[bytes, int, int]] = []
        self._since_pruned = _PRUNE_EVERY
        for body in spool.entries("numbered"):
            for digest, arrival_us, clock in _ENTRY.iter_unpack(body):
                self._remember(digest, FirstDelivery(arrival_us, ClockState(clock)))

    def first_delivery(self, message: Message) -> FirstDelivery | None:
        """How a message was processed that came before; None if it did not."""
        if not message.numbered:
            return None
        first = self._entries.get(digest_of(message))
        if first is None or abs(message.arrival_us - first.arrival_us) > LIFETIME_US:
            return None
        return first

    def add(self, deliveries: Sequence[tuple[Message, FirstDelivery]]) -> None:
        """Remember those with a sequence number; ``write`` puts them on disk."""
        for message, first in deliveries:
            if message.numbered:
                digest = digest_of(message)
                self._remember(digest, first)
                self._new.append((digest, first.arrival_us, first.clock))

    def write(self) -> None:
        """Put the new entries on disk, before the readings are committed.

        Raises:
            SpoolFullError: they cannot be written; the next call tries again.
        """
        if not self._new:
            return
        del self._new[: -self._most]
        body = b"".join([_ENTRY.pack(*entry) for entry in self._new])
        self._since_pruned += len(self._new)
        prune = self._since_pruned >= _PRUNE_EVERY
        self._spool.write_entries("numbered", body, len(self._new), self._most if prune else None)
        self._since_pruned = 0 if prune else self._since_pruned
        self._new = []

    def _remember(self, digest: bytes, first: FirstDelivery) -> None:
        self._entries.pop(digest, None)
        self._entries[digest] = first
        if len(self._entries) > self._most:
            del self._entries[next(iter(self._entries))]
