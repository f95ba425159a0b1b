"""Commits batches: journal, readings into the store, rejections into the registry, or the spool."""

from __future__ import annotations

import logging
import random
import threading
from collections.abc import Sequence
from datetime import datetime
from typing import Final

from ingest.decode.message import FirstDelivery, Message, Reason
from ingest.deliver.buffered_writer import BufferedWriter, Sink, SinkState
from ingest.deliver.encoding import (
    decode_readings,
    decode_rejections,
    encode_readings,
    encode_rejections,
)
from ingest.deliver.journal import Journal
from ingest.deliver.numbered import NumberedMessages
from ingest.deliver.spool import Spool
from ingest.deliver.spool_connection import SpoolFullError
from ingest.process import Processed
from service.clock import Clock
from service.errors import StoreUnavailableError
from service.registry.models.ingest import Rejection
from service.registry.registry import Registry
from service.store import Reading, Store
from service.times import from_us

_log = logging.getLogger(__name__)
_FIRST_WAIT_S: Final = 0.2
_LONGEST_WAIT_S: Final = 5.0


class Committer:
    """Commits batches, each as a whole; ``commit`` from one thread.

    Attributes:
        readings, rejections: the writers; ``drain`` each in a thread of its own.
    """

    def __init__(
        self,
        store: Store,
        registry: Registry,
        spool: Spool,
        clock: Clock,
        *,
        most_rejections: int,
        max_inflight: int,
    ) -> None:
        """Prepare; what an earlier run left in the spool is sent by the writers.

        Args:
            most_rejections: as many are stored, and no more.
            max_inflight: messages that the broker may deliver again.
        """
        self._clock = clock
        self._journal = Journal(spool, max_inflight)
        self._numbered = NumberedMessages(spool)
        self.rejections = BufferedWriter(_rejection_sink(registry, most_rejections), spool, clock)
        self.readings = BufferedWriter(
            Sink(
                "readings",
                store.write,
                encode_readings,
                decode_readings,
                self._reject,
                store.durable_after_s,
                lambda: _state(store),
            ),
            spool,
            clock,
        )
        self._stalled = False
        self._give_up = threading.Event()
        self._spool_error = ""
        self._journal_error = ""

    @property
    def writers(self) -> tuple[BufferedWriter[Reading], BufferedWriter[Rejection]]:
        """Both writers."""
        return self.readings, self.rejections

    @property
    def is_stalled(self) -> bool:
        """Whether neither a sink nor the spool accepts the batch."""
        return self._stalled

    @property
    def errors(self) -> tuple[str, ...]:
        """Current errors, a sentence each."""
        found = (
            self.readings.last_error,
            self.rejections.last_error,
            self._spool_error,
            self._journal_error,
        )
        return tuple(error for error in found if error)

    def first_delivery(self, message: Message) -> FirstDelivery | None:
        """How a message was processed that is delivered again; None if it was not."""
        return self._journal.first_delivery(message) or self._numbered.first_delivery(message)

    def remember(self, deliveries: Sequence[tuple[Message, FirstDelivery]]) -> None:
        """Know messages when they come again; the next commit puts that on disk."""
        self._journal.add([pair for pair in deliveries if pair[0].qos])
        self._numbered.add(deliveries)

    def give_up(self) -> None:
        """Do not try again to commit while stalled."""
        self._give_up.set()

    def commit(self, batch: Processed) -> bool:
        """Commit a batch; returns only when it is safe.

        Returns:
            False if it gave up: then nothing may be acknowledged.
        """
        self.remember(batch.first_deliveries)
        wait_s = _FIRST_WAIT_S
        accepted = False
        while True:
            self._write_journal()
            try:
                if not accepted:
                    self.readings.accept(batch.readings)
                    accepted = True
                self.rejections.accept(batch.rejections)
            except SpoolFullError as error:
                if str(error) != self._spool_error:
                    _log.error("nothing is acknowledged until there is room: %s", error)
                self._spool_error = str(error)
                self._stalled = True
                if self._give_up.wait(wait_s * random.uniform(0.5, 1.0)):
                    return False
                wait_s = min(2 * wait_s, _LONGEST_WAIT_S)
            else:
                self._spool_error = ""
                self._stalled = False
                return True

    def _write_journal(self) -> None:
        """Journal the batch; without that a redelivery might count twice."""
        try:
            self._journal.write()
            self._numbered.write()
        except SpoolFullError as error:
            if not self._journal_error:
                _log.error("the journal cannot be written, going on without: %s", error)
            self._journal_error = str(error)
        else:
            self._journal_error = ""

    def _reject(self, rejected: Sequence[tuple[Reading, str]]) -> None:
        """Record the readings that the store refuses for good."""
        now = self._clock.now()
        self.rejections.accept([_rejection(reading, why, now) for reading, why in rejected])


def _state(store: Store) -> SinkState:
    health = store.health()
    if not health.reachable:
        raise StoreUnavailableError(health.detail or f"{health.backend} does not answer")
    numbers = health.numbers
    started_s = numbers.get("started_s")
    restart = None if started_s is None else (started_s, numbers.get("interruptions", 0.0))
    return SinkState(restart, numbers.get("unsaved_s"))


def _rejection_sink(registry: Registry, most_rejections: int) -> Sink[Rejection]:
    def write(rejections: Sequence[Rejection]) -> None:
        registry.add_rejections(rejections, keep=most_rejections)

    def reject(rejected: Sequence[tuple[Rejection, str]]) -> None:
        for rejection, why in rejected:
            _log.error("a rejection of %s cannot be recorded: %s", rejection.topic, why)

    return Sink("rejections", write, encode_rejections, decode_rejections, reject)


def _rejection(reading: Reading, why: str, now: datetime) -> Rejection:
    return Rejection(
        now,
        f"{reading.tank}/{reading.quantity}/{reading.sensor}",
        f"{reading.value!r} at {from_us(reading.time_us).isoformat()}",
        Reason.STORE_REFUSED.value,
        why,
        "store",
        reading.tank,
    )
