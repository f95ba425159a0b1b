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
#: A broker sends no more than its window of unacknowledged messages (often 20). So a batch of
#: at least this many is closed when nothing more has come for ``_SILENCE_S``.
_WINDOW_LEAST: Final = 10
_SILENCE_S: Final = 0.005


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
        now_s = time.monotonic()
        end_s, seen, seen_s = now_s + self._age_s, len(self._queue), now_s
        while not self._closed and len(self._queue) < self._size and now_s < end_s:
            waiting = len(self._queue)
            if waiting != seen:
                seen, seen_s = waiting, now_s
            elif waiting >= _WINDOW_LEAST and now_s - seen_s >= _SILENCE_S:
                return
            self._pause(waiting, _SILENCE_S if waiting >= _WINDOW_LEAST else end_s - now_s)
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
