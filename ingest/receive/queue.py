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
#: Messages that come after a pause, or of a new topic, wait so long at most: somebody who sets up
#: a sensor looks for its first reading, and what is sent together is committed together.
_FIRST_AGE_S: Final = 1.0
#: Where nothing came for so long before a batch ended, and something comes so soon after it was
#: acknowledged, that has waited at the broker, whose window is smaller than ``_WINDOW_LEAST``: to
#: let it wait here would hold up all others.
_BACKLOG_S: Final = 0.25
#: Topics that are remembered; with more of them there is always somebody who sends.
_MOST_TOPICS: Final = 1000


class _Begun:
    """A batch that was begun: since when, and when its last message was seen."""

    def __init__(self, start_s: float, waiting: int) -> None:
        self.start_s = self._seen_s = start_s
        self._first = self._seen = waiting

    def see(self, waiting: int, now_s: float) -> float:
        """Note how many wait; for how long nothing has come."""
        if waiting != self._seen:
            self._seen, self._seen_s = waiting, now_s
        return now_s - self._seen_s

    def long_silence_s(self) -> float:
        """After how long a silence nothing more is to be expected."""
        gap_s = (self._seen_s - self.start_s) / max(1, self._seen - self._first)
        return max(_SILENCE_S, _USUAL_GAPS * gap_s)


class MessageQueue:
    """Messages received and not yet taken: one thread puts, one takes."""

    def __init__(self, batch_size: int, batch_age_s: float, limit: int) -> None:
        """Make an empty one.

        Args:
            batch_size, batch_age_s: a batch is closed when it is this large, or the one before
                was closed so long ago.
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
        #: Hashes of topics: strangers choose their length.
        self._topics: set[int] = set()
        self._urgent = False
        self._taken_s = float("-inf")
        #: What comes before this has waited at the broker.
        self._backlog_until_s = float("-inf")
        self._silent_s = 0.0
        self._begun: _Begun | None = None

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
        topic = hash(message.topic)
        if topic not in self._topics and len(self._topics) < _MOST_TOPICS:
            self._topics.add(topic)
            # After the message is there: else a batch that ends in between takes the haste alone.
            self._urgent = True

    def notify(self) -> None:
        """Wake the writer, because there are new messages."""
        if not self._new.is_set():
            self._new.set()

    def close(self) -> None:
        """End it: nothing more will be put, and what waits is taken without delay."""
        self._closed = True
        self._new.set()

    def take(self, timeout_s: float) -> list[Message]:
        """Wait for a batch; empty when none is complete after ``timeout_s``, or all is taken."""
        if not self._queue:
            self._pause(0, timeout_s)
            if not self._queue:
                return []
        if self._begun is None:
            now_s = time.monotonic()
            self._begun = _Begun(now_s, len(self._queue))
            if now_s < self._backlog_until_s:
                self._urgent = True
        if not self._gather(self._begun, timeout_s):
            return []
        self._urgent = False  # one that is put from here on counts for the next batch
        self._taken_s = time.monotonic()
        self._silent_s = self._begun.see(len(self._queue), self._taken_s)
        self._begun = None
        batch = [self._queue.popleft() for _ in range(min(len(self._queue), self._size))]
        self._bytes_taken += sum(map(_bytes_of, batch))
        return batch

    def acknowledging(self) -> None:
        """Note that the last batch is acknowledged now, so that the broker may send more."""
        waits = not self._queue and self._silent_s >= _BACKLOG_S
        self._backlog_until_s = time.monotonic() + _BACKLOG_S if waits else float("-inf")

    def _end_s(self, start_s: float) -> float:
        """When a batch that began at a time is old enough."""
        first_s = start_s + min(self._age_s, _FIRST_AGE_S)
        return first_s if self._urgent else max(first_s, self._taken_s + self._age_s)

    def _gather(self, begun: _Begun, timeout_s: float) -> bool:
        """Wait until the batch is large or old enough, or no more can come; False if it is not.

        No more comes when the broker's window is used up, or there is no room.
        """
        now_s = time.monotonic()
        until_s = now_s + timeout_s
        while not self._closed and len(self._queue) < self._size and self.has_room:
            left_s = self._end_s(begun.start_s) - now_s
            if left_s <= 0:
                return True
            waiting = len(self._queue)
            silent_s, enough_s = begun.see(waiting, now_s), begun.long_silence_s()
            if waiting >= _WINDOW_LEAST:
                if silent_s >= enough_s:
                    return True
                left_s = min(enough_s, left_s)
            if now_s >= until_s:
                return False
            self._pause(waiting, min(left_s, until_s - now_s))
            now_s = time.monotonic()
        return True

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
