"""Queue of received messages between the network thread and the writer, taken in batches."""

from __future__ import annotations

import threading
import time
from collections import deque
from typing import Final

from ingest.decode.message import Message

#: Bytes that may wait here, whatever the number of messages.
BYTES_LIMIT: Final = 32_000_000
#: What a message takes beside topic and payload, bytes: objects of Python. Measured: some 350.
_OVERHEAD_BYTES: Final = 400
#: A broker sends no more than its window of unacknowledged messages (often 20), all at once. So a
#: batch of at least this many is closed when nothing more has come for ``_SILENCE_S``, and for
#: several times as long as its messages were apart: else 100 a second were committed by tens, and
#: each commit wears a memory card as much as one of a hundred.
_WINDOW_LEAST: Final = 10
_SILENCE_S: Final = 0.005
_USUAL_GAPS: Final = 5


class MessageQueue:
    """Messages received and not yet taken: one thread puts, one takes."""

    def __init__(self, batch_size: int, batch_age_s: float, limit: int) -> None:
        """Make an empty one.

        Args:
            batch_size, batch_age_s: a batch is closed when it is this large or this old.
            limit: messages that may wait.
        """
        self._size = batch_size
        self._age_s = batch_age_s
        self._limit = limit
        self._queue: deque[Message] = deque()
        # Each counter is written by one thread only, so neither needs a lock.
        self._bytes_put = 0
        self._bytes_taken = 0
        self._new = threading.Event()
        self._closed = False

    def __len__(self) -> int:
        return len(self._queue)

    @property
    def has_room(self) -> bool:
        """Whether the network thread may read on."""
        waiting = self._bytes_put - self._bytes_taken
        return len(self._queue) < self._limit and waiting < BYTES_LIMIT

    def put(self, message: Message) -> None:
        """Add one message; ``notify`` wakes the writer."""
        self._queue.append(message)
        self._bytes_put += _bytes_of(message)

    def notify(self) -> None:
        """Wake the writer, because there are new messages."""
        if not self._new.is_set():
            self._new.set()

    def close(self) -> None:
        """End it: nothing more will be put, and what waits is taken without delay."""
        self._closed = True
        self._new.set()

    def take(self, timeout_s: float) -> list[Message]:
        """Wait for a batch; empty when nothing came for ``timeout_s``, or all is taken."""
        if not self._queue:
            self._pause(0, timeout_s)
            if not self._queue:
                return []
        self._gather()
        batch = [self._queue.popleft() for _ in range(min(len(self._queue), self._size))]
        self._bytes_taken += sum(map(_bytes_of, batch))
        return batch

    def _gather(self) -> None:
        """Wait until the batch is large or old enough, or the broker's window is used up."""
        start_s = now_s = seen_s = time.monotonic()
        end_s, begun, seen = start_s + self._age_s, len(self._queue), len(self._queue)
        while not self._closed and len(self._queue) < self._size and now_s < end_s:
            waiting = len(self._queue)
            if waiting != seen:
                seen, seen_s = waiting, now_s
            gap_s = (seen_s - start_s) / max(1, seen - begun)
            silence_s = max(_SILENCE_S, _USUAL_GAPS * gap_s)
            if waiting >= _WINDOW_LEAST and now_s - seen_s >= silence_s:
                return
            left_s = end_s - now_s
            self._pause(waiting, min(silence_s, left_s) if waiting >= _WINDOW_LEAST else left_s)
            now_s = time.monotonic()

    def _pause(self, waiting: int, timeout_s: float) -> None:
        """Sleep until more than ``waiting`` messages wait, or for ``timeout_s``."""
        if self._closed:
            return
        self._new.clear()
        if len(self._queue) == waiting and not self._closed:
            self._new.wait(timeout_s)


def _bytes_of(message: Message) -> int:
    """What a message takes in memory, about; a letter of a topic has up to four bytes."""
    return 4 * len(message.topic) + len(message.payload) + _OVERHEAD_BYTES
