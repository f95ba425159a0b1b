"""Which messages were taken, and when: so that a second delivery is the same reading.

A message without a time of its own is identified by its arrival. When the connection or the
process ends between commit and acknowledgement, the broker sends the message again, with its old
packet identifier and marked as a duplicate (MQTT 5.0, section 4.4 and 3.3.1.1); it then gets the
arrival it had. The entries are written before the readings are.
"""

from __future__ import annotations

import struct
import zlib
from typing import NamedTuple

from ingest.decode.message import Message
from ingest.deliver.spool import Spool

_ENTRY = struct.Struct("<HIqB")


class Taken(NamedTuple):
    """How a message was taken.

    Attributes:
        arrival_us: its time of arrival.
        clock_wrong: its device's clock was found to have jumped, so that arrival was used.
    """

    arrival_us: int
    clock_wrong: bool


class Journal:
    """The taken messages that the broker might send again; used by one thread."""

    def __init__(self, spool: Spool, max_inflight: int) -> None:
        """Read what an earlier run has left.

        Args:
            max_inflight: as many messages can be unacknowledged, and no more.
        """
        self._spool = spool
        self._keep = max_inflight
        self._entries: dict[int, tuple[int, Taken]] = {}
        self._new: list[tuple[int, int, int, int]] = []
        for body in spool.journal():
            for mid, check, arrival_us, wrong in _ENTRY.iter_unpack(body):
                self._entries[mid] = (check, Taken(arrival_us, bool(wrong)))

    def taken_before(self, message: Message) -> Taken | None:
        """How a message was taken that is delivered again; None if it was not."""
        if not message.dup:
            return None
        check, taken = self._entries.get(message.mid, (0, None))
        return taken if taken is not None and check == _check(message) else None

    def take(self, message: Message, *, clock_wrong: bool = False) -> None:
        """Remember a message at QoS 1."""
        check = _check(message)
        self._entries[message.mid] = (check, Taken(message.arrival_us, clock_wrong))
        self._new.append((message.mid, check, message.arrival_us, clock_wrong))

    def write(self) -> None:
        """Put the new entries on disk, before the readings are committed.

        Raises:
            SpoolFullError: it cannot be written; the next call tries again.
        """
        if self._new:
            del self._new[: -self._keep]  # more than one batch, while the disk was full
            body = b"".join([_ENTRY.pack(*entry) for entry in self._new])
            self._spool.write_journal(body, len(self._new), self._keep)
            self._new = []


def _check(message: Message) -> int:
    return zlib.crc32(message.payload, zlib.crc32(message.topic.encode("utf-8", "surrogatepass")))
