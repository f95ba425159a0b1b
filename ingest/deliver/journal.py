"""Remembers when each message was delivered first: so that a redelivery is the same reading.

A message without a time of its own is identified by its arrival. When the connection or the
process ends between commit and acknowledgement, the broker sends the message again, with its old
packet identifier and marked as a duplicate (MQTT 5.0, section 4.4 and 3.3.1.1); it then gets the
arrival it had. The entries are written before the readings are.
"""

from __future__ import annotations

import struct
import zlib
from array import array
from collections.abc import Sequence
from typing import Final

from ingest.decode.message import ClockState, FirstDelivery, Message
from ingest.deliver.spool import Spool

_ENTRY = struct.Struct("<HIqB")
_IDENTIFIERS: Final = 65_536
#: Of the entries that are stored so many are written between two deletions of old ones, each of
#: which changes more pages than a write.
_WRITTEN_BETWEEN: Final = 0.2
#: In place of a ``ClockState``: nothing is remembered.
_NONE: Final = 255


class Journal:
    """The messages that the broker might deliver again; used by one thread."""

    def __init__(self, spool: Spool, max_inflight: int) -> None:
        """Read the entries of an earlier run.

        Args:
            max_inflight: as many messages can be unacknowledged, and no more; a fifth more
                entries are stored at most.
        """
        self._spool = spool
        self._most = max_inflight
        self._entries = _Entries()
        self._new: list[tuple[int, int, int, int]] = []
        self._since_pruned = max_inflight
        for body in spool.entries("journal"):
            for mid, check, arrival_us, clock in _ENTRY.iter_unpack(body):
                self._entries.put(mid, check, FirstDelivery(arrival_us, ClockState(clock)))

    def first_delivery(self, message: Message) -> FirstDelivery | None:
        """How a message was processed that is delivered again; None if it was not."""
        if not message.dup:
            return None
        return self._entries.get(message.mid, _check(message))

    def add(self, deliveries: Sequence[tuple[Message, FirstDelivery]]) -> None:
        """Remember messages at QoS 1; ``write`` puts them on disk."""
        entries, new = self._entries, self._new
        for message, first in deliveries:
            check = _check(message)
            entries.put(message.mid, check, first)
            new.append((message.mid, check, first.arrival_us, first.clock))

    def write(self) -> None:
        """Put the new entries on disk, before the readings are committed.

        Raises:
            SpoolFullError: it cannot be written; the next call tries again.
        """
        if not self._new:
            return
        del self._new[: -self._most]  # more than one batch, while the disk was full
        body = b"".join([_ENTRY.pack(*entry) for entry in self._new])
        self._since_pruned += len(self._new)
        prune = self._since_pruned >= _WRITTEN_BETWEEN * self._most
        self._spool.write_entries("journal", body, len(self._new), self._most if prune else None)
        self._since_pruned = 0 if prune else self._since_pruned
        self._new = []


class _Entries:
    """An entry for each packet identifier that MQTT has, 13 bytes each: objects would take 200."""

    def __init__(self) -> None:
        self._checks = array("I", bytes(_IDENTIFIERS * array("I").itemsize))
        self._arrivals_us = array("q", bytes(_IDENTIFIERS * array("q").itemsize))
        self._clocks = bytearray([_NONE]) * _IDENTIFIERS

    def put(self, mid: int, check: int, first: FirstDelivery) -> None:
        """Remember one; what had the identifier before is forgotten."""
        self._checks[mid] = check
        self._arrivals_us[mid] = first.arrival_us
        self._clocks[mid] = first.clock

    def get(self, mid: int, check: int) -> FirstDelivery | None:
        """What is remembered of a message; None where it is another one, or none."""
        clock = self._clocks[mid]
        if clock == _NONE or self._checks[mid] != check:
            return None
        return FirstDelivery(self._arrivals_us[mid], ClockState(clock))


def _check(message: Message) -> int:
    return zlib.crc32(message.payload, zlib.crc32(message.topic.encode("utf-8", "surrogatepass")))
