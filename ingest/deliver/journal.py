"""Remembers when each message was delivered first: so that a redelivery is the same reading.

A message without a time of its own is identified by its arrival. When the connection or the
process ends between commit and acknowledgement, the broker sends the message again, with its old
packet identifier and marked as a duplicate (MQTT 5.0, section 4.4 and 3.3.1.1); it then gets the
arrival it had. The entries are written before the readings are.
"""

from __future__ import annotations

import struct
import zlib
from collections.abc import Sequence

from ingest.decode.message import ClockState, FirstDelivery, Message
from ingest.deliver.spool import Spool

_ENTRY = struct.Struct("<HIqB")


class Journal:
    """The messages that the broker might deliver again; used by one thread."""

    def __init__(self, spool: Spool, max_inflight: int) -> None:
        """Read the entries of an earlier run.

        Args:
            max_inflight: as many messages can be unacknowledged, and no more.
        """
        self._spool = spool
        self._most = max_inflight
        self._entries: dict[int, tuple[int, FirstDelivery]] = {}
        self._new: list[tuple[int, int, int, int]] = []
        for body in spool.entries("journal"):
            for mid, check, arrival_us, clock in _ENTRY.iter_unpack(body):
                self._entries[mid] = (check, FirstDelivery(arrival_us, ClockState(clock)))

    def first_delivery(self, message: Message) -> FirstDelivery | None:
        """How a message was processed that is delivered again; None if it was not."""
        if not message.dup:
            return None
        check, first = self._entries.get(message.mid, (0, None))
        return first if first is not None and check == _check(message) else None

    def add(self, deliveries: Sequence[tuple[Message, FirstDelivery]]) -> None:
        """Remember messages at QoS 1; ``write`` puts them on disk."""
        entries, new = self._entries, self._new
        for message, first in deliveries:
            check = _check(message)
            entries[message.mid] = (check, first)
            new.append((message.mid, check, first.arrival_us, first.clock))

    def write(self) -> None:
        """Put the new entries on disk, before the readings are committed.

        Raises:
            SpoolFullError: it cannot be written; the next call tries again.
        """
        if self._new:
            del self._new[: -self._most]  # more than one batch, while the disk was full
            body = b"".join([_ENTRY.pack(*entry) for entry in self._new])
            self._spool.write_entries("journal", body, len(self._new), self._most)
            self._new = []


def _check(message: Message) -> int:
    return zlib.crc32(message.payload, zlib.crc32(message.topic.encode("utf-8", "surrogatepass")))
