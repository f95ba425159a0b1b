"""Messages as they arrive from the broker: numbered, timed and put into the queue."""

from __future__ import annotations

from ingest.decode.message import Message
from ingest.receive.queue import MessageQueue
from service.clock import Clock
from service.times import to_us


class Arrivals:
    """Puts what arrives into the queue; for the network thread alone.

    Attributes:
        connection: number of the present connection, which each message bears.
        received: messages that arrived.
        dropped_qos0: of QoS 0 that found no room.
        missed: a message of the present connection found no room, which the broker sends again.
    """

    def __init__(self, queue: MessageQueue, clock: Clock) -> None:
        """Nothing has arrived yet."""
        self.connection = 0
        self.received = 0
        self.dropped_qos0 = 0
        self.missed = False
        self._queue = queue
        self._clock = clock
        self._last_us = 0

    def begin_connection(self) -> None:
        """What comes from now on is of another connection."""
        self.connection += 1
        self.missed = False

    def receive(
        self,
        topic: bytes,
        payload: bytes,
        mid: int,
        qos: int,
        dup: bool,
        retain: bool,
        too_large: int = 0,
    ) -> None:
        """Queue one message.

        Args:
            too_large: bytes of a payload that was not stored for its length; else 0.
        """
        self.received += 1
        if not self._queue.has_room:
            # Only a broker that ignores the receive maximum, or QoS 0, gets here.
            if qos:
                self.missed = True
            else:
                self.dropped_qos0 += 1
            return
        try:
            name = topic.decode()
        except UnicodeDecodeError:
            name = "(a topic that is not UTF-8)"
        arrival_us = self._arrival_us()
        self._queue.put(
            Message(name, payload, arrival_us, mid, qos, dup, retain, self.connection, too_large)
        )

    def receive_too_large(
        self, topic: bytes, length: int, mid: int, qos: int, dup: bool, retain: bool
    ) -> None:
        """Queue a message of which only the topic was stored, to be rejected and acknowledged."""
        self.receive(topic, b"", mid, qos, dup, retain, length)

    def _arrival_us(self) -> int:
        """The time of arrival: never the same twice, so that it identifies a reading."""
        now_us = to_us(self._clock.now())
        last_us = self._last_us
        if last_us - 1_000_000 < now_us <= last_us:
            now_us = last_us + 1
        self._last_us = now_us
        return now_us
