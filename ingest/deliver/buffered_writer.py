"""Writes batches to a sink, buffering them on disk in the spool during outages."""

from __future__ import annotations

import logging
import random
import threading
import time
from collections.abc import Callable, Hashable, Sequence
from dataclasses import dataclass
from typing import Final, Generic, TypeVar

from ingest.deliver.spool import Spool, Spooled
from ingest.deliver.spool_connection import SpoolFullError
from service.clock import Clock
from service.errors import LittoralError, StoreRefusedError, StoreUnavailableError
from service.times import format_moment, to_us

_log = logging.getLogger(__name__)
_FIRST_WAIT_S: Final = 0.5
_LONGEST_WAIT_S: Final = 30.0
#: Items sent in one go when the spool is drained.
_DRAIN_ITEMS: Final = 5000
#: Writes tried to find the items that are refused before the whole sink counts as broken.
_SPLIT_BUDGET: Final = 64
#: Beyond the time that the store needs until its data are safe, s.
_SAFE_MARGIN_S: Final = 5.0

#: The sink is asked no more often whether it was restarted, s; until then nothing is forgotten.
_ASK_EVERY_S: Final = 1.0

T = TypeVar("T")


@dataclass(frozen=True)
class SinkState:
    """What a sink that answers reports of itself.

    Attributes:
        started: changes when it, or one of its servers, was restarted; None: it does not say.
        unsaved_s: how long ago the oldest item was written that a crash may take; None: it does
            not say, and ``Sink.safe_after_s`` holds.
    """

    started: Hashable | None = None
    unsaved_s: float | None = None


@dataclass(frozen=True)
class Sink(Generic[T]):
    """What a buffered writer writes to: the store, or the registry.

    Attributes:
        kind: name of its items in the spool.
        write: writes all of a batch or raises ``LittoralError``.
        encode, decode: for the spool.
        reject: records single items that the sink refuses for good, and why.
        safe_after_s: how long after ``write`` the sink may still lose it in a crash, at most.
        state: what it reports of itself. Raises ``LittoralError`` while the sink is away.
    """

    kind: str
    write: Callable[[Sequence[T]], None]
    encode: Callable[[Sequence[T]], bytes]
    decode: Callable[[bytes], list[T]]
    reject: Callable[[Sequence[tuple[T, str]]], None]
    safe_after_s: float = 0.0
    state: Callable[[], SinkState] = SinkState


class BufferedWriter(Generic[T]):
    """Accepts batches for one sink; ``drain`` runs in a thread of its own.

    Attributes:
        accepted: how many items were accepted, by the sink or the spool.
        last_error: why the sink accepts nothing now; empty when it does.
        last_write: when the sink accepted the last batch, RFC 3339.
    """

    def __init__(self, sink: Sink[T], spool: Spool, clock: Clock) -> None:
        """Prepare; nothing is written yet."""
        self._sink = sink
        self._spool = spool
        self._clock = clock
        self._new_in_spool = threading.Event()
        self._lock = threading.Lock()
        #: Sent, and still in the spool because the full disk did not let us delete them.
        self._sent: list[Spooled] = []
        self._started: Hashable | None = None
        #: Since ``Sink.state`` was asked last, whose start may count in whole seconds.
        self._was_away = False
        self._ask_s = 0.0
        self.accepted = 0
        self.last_error = ""
        self.last_write = ""
        if sink.safe_after_s:
            # Nobody knows whether the sink was restarted while we were away.
            spool.send_again()

    @property
    def kind(self) -> str:
        """Name of its items in the spool."""
        return self._sink.kind

    def accept(self, items: Sequence[T]) -> None:
        """Accept a batch: written to the sink, or to the spool.

        Raises:
            SpoolFullError: neither accepts it.
        """
        if items:
            with self._lock:
                self._accept(items)

    def _accept(self, items: Sequence[T]) -> None:
        sink = self._sink
        if not sink.safe_after_s and not self._spool.depth(sink.kind).batches:
            try:
                sink.write(items)
            except LittoralError as error:
                self._failed(error)
            else:
                self._written()
                self.accepted += len(items)
                return
        self._spool.append(sink.kind, sink.encode(items), len(items), to_us(self._clock.now()))
        self.accepted += len(items)
        self._new_in_spool.set()

    def drain(self, stop: threading.Event) -> None:
        """Send what is in the spool, oldest first, until ``stop`` is set."""
        wait_s = _FIRST_WAIT_S
        while not stop.is_set():
            try:
                busy = self._drain_once()
            except LittoralError as error:
                self._failed(error)
            except SpoolFullError as error:
                self.last_error = str(error)
                _log.warning("the spool: %s", error)
            else:
                wait_s = _FIRST_WAIT_S
                if not busy:
                    self._new_in_spool.wait(1.0)
                    self._new_in_spool.clear()
                continue
            stop.wait(wait_s * random.uniform(0.5, 1.0))
            wait_s = min(2 * wait_s, _LONGEST_WAIT_S)

    def wake(self) -> None:
        """Have ``drain`` check its ``stop``, and the spool."""
        self._new_in_spool.set()

    def flush(self, timeout_s: float) -> None:
        """Wait until the spool is sent, unless the sink is away."""
        end_s = time.monotonic() + timeout_s
        while self._spool.depth(self._sink.kind).batches and not self.last_error:
            if time.monotonic() > end_s:
                return
            time.sleep(0.02)

    def _drain_once(self) -> bool:
        """Send some of the spool; False if there was nothing to send."""
        sink, spool = self._sink, self._spool
        if sink.safe_after_s:
            self._check_restart()
        if self._sent:
            self._remove_sent()
        batches = spool.head(sink.kind, _DRAIN_ITEMS)
        if not batches:
            if sink.safe_after_s:
                self.last_error = ""  # it answered
            return False
        readable, items = self._decoded(batches)
        if items:
            self._write(items)
            self._written()
        self._sent = readable
        self._remove_sent()
        return True

    def _decoded(self, batches: Sequence[Spooled]) -> tuple[list[Spooled], list[T]]:
        """The items of batches, and of which; one that cannot be decoded is taken aside."""
        readable: list[Spooled] = []
        items: list[T] = []
        for batch in batches:
            try:
                items += self._sink.decode(batch.body)
            except Exception as error:  # noqa: BLE001 - whatever is wrong with it, the others go on
                self._spool.take_aside(self._sink.kind, batch, repr(error))
            else:
                readable.append(batch)
        return readable, items

    def _remove_sent(self) -> None:
        sent_s = time.monotonic() if self._sink.safe_after_s else None
        self._spool.sent(self._sink.kind, self._sent, sent_s=sent_s)
        self._sent = []

    def _check_restart(self) -> None:
        """Send again what a restarted sink may have lost; forget what is safe by now.

        Raises:
            LittoralError: the sink is away; it may have lost what no running one would lose.
        """
        if not self._was_away and time.monotonic() < self._ask_s:
            return
        asked_s = time.monotonic()
        state = self._sink.state()
        started = state.started
        if self._was_away or (started is not None and started != self._started):
            if again := self._spool.send_again():
                _log.warning("the store was restarted or away; %d batches are sent again", again)
            self._was_away = False
            self._started = started if started is not None else self._started
        if started == self._started:  # else it said before and does not now: nothing is known
            unsaved_s = self._sink.safe_after_s
            if state.unsaved_s is not None:
                unsaved_s = min(unsaved_s, state.unsaved_s)
            self._spool.forget_sent(asked_s - unsaved_s - _SAFE_MARGIN_S)
        self._ask_s = time.monotonic() + _ASK_EVERY_S

    def _write(self, items: Sequence[T]) -> None:
        """Write all; single items that are refused for good go to ``Sink.reject``.

        Raises:
            LittoralError: the sink is away, or refuses everything: then it is broken.
        """
        refused: list[tuple[T, str]] = []
        budget = [_SPLIT_BUDGET]
        accepted = self._split(items, refused, budget)
        if refused and not accepted:
            raise StoreRefusedError(refused[0][1])
        if refused:
            self._sink.reject(refused)

    def _split(self, items: Sequence[T], refused: list[tuple[T, str]], budget: list[int]) -> int:
        """Write items, in halves where a part is refused; returns how many were accepted."""
        budget[0] -= 1
        try:
            self._sink.write(items)
        except StoreRefusedError as error:
            if len(items) == 1:
                refused.append((items[0], error.detail))
                return 0
            middle = len(items) // 2
            accepted = 0
            for half in (items[:middle], items[middle:]):
                if budget[0] <= 0 and not accepted:
                    raise
                done = self._split(half, refused, budget)
                if done:
                    budget[0] = _SPLIT_BUDGET
                accepted += done
            return accepted
        return len(items)

    def _written(self) -> None:
        self.last_error = ""
        self.last_write = format_moment(self._clock.now())

    def _failed(self, error: LittoralError) -> None:
        self._was_away = self._was_away or isinstance(error, StoreUnavailableError)
        if error.detail != self.last_error:
            _log.warning("%s wait in the spool: %s", self._sink.kind, error.detail)
        self.last_error = error.detail
