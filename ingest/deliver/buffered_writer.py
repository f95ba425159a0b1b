"""One way to its place: straight while the place is there, over the spool while it is away."""

from __future__ import annotations

import logging
import random
import threading
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Final, Generic, TypeVar

from ingest.deliver.spool import Spool, Spooled, SpoolFullError
from service.clock import Clock
from service.errors import LittoralError, StoreRefusedError
from service.times import to_us

_log = logging.getLogger(__name__)
_FIRST_WAIT_S: Final = 0.5
_LONGEST_WAIT_S: Final = 30.0
#: Items sent in one go when the spool is drained.
_DRAIN_ITEMS: Final = 5000
#: Writes tried to find the items that are refused before the whole place counts as broken.
_SPLIT_BUDGET: Final = 64
#: Beyond the time the store names until its data are safe, s.
_SAFE_MARGIN_S: Final = 5.0

T = TypeVar("T")


@dataclass(frozen=True)
class Place(Generic[T]):
    """Where a lane leads.

    Attributes:
        kind: name in the spool.
        write: takes all of a batch or raises ``LittoralError``.
        encode, decode: for the spool.
        refused: what to do with single items that the place refuses for good, and why.
        safe_after_s: how long after ``write`` the place may still lose it in a crash.
        started: a number that changes when the place was started anew; None: cannot be told.
    """

    kind: str
    write: Callable[[Sequence[T]], None]
    encode: Callable[[Sequence[T]], bytes]
    decode: Callable[[bytes], list[T]]
    refused: Callable[[Sequence[tuple[T, str]]], None]
    safe_after_s: float = 0.0
    started: Callable[[], float | None] = lambda: None


class Lane(Generic[T]):
    """Commits batches to one place; ``drain`` runs in a thread of its own."""

    def __init__(self, place: Place[T], spool: Spool, clock: Clock) -> None:
        self._place = place
        self._spool = spool
        self._clock = clock
        self._news = threading.Event()
        self._lock = threading.Lock()
        #: Sent, and still in the spool because the full disk did not let us delete them.
        self._done: list[Spooled] = []
        self._started: float | None = None
        self.committed = 0
        self.last_error = ""
        self.last_write = ""
        if place.safe_after_s:
            # Nobody knows whether the place was restarted while we were away.
            spool.send_again()

    @property
    def kind(self) -> str:
        """What travels here."""
        return self._place.kind

    def commit(self, items: Sequence[T]) -> None:
        """Keep a batch: in the place, or in the spool.

        Raises:
            SpoolFullError: neither takes it.
        """
        if items:
            with self._lock:
                self._commit(items)

    def _commit(self, items: Sequence[T]) -> None:
        place = self._place
        if not place.safe_after_s and not self._spool.depth(place.kind).batches:
            try:
                place.write(items)
            except LittoralError as error:
                self._failed(error)
            else:
                self._written()
                self.committed += len(items)
                return
        self._spool.append(place.kind, place.encode(items), len(items), to_us(self._clock.now()))
        self.committed += len(items)
        self._news.set()

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
                    self._news.wait(1.0)
                    self._news.clear()
                continue
            stop.wait(wait_s * random.uniform(0.5, 1.0))
            wait_s = min(2 * wait_s, _LONGEST_WAIT_S)

    def wake(self) -> None:
        """Let ``drain`` look at its ``stop``, or at what is new in the spool."""
        self._news.set()

    def flush(self, timeout_s: float) -> None:
        """Wait until the spool is sent, unless the place is away."""
        end_s = time.monotonic() + timeout_s
        while self._spool.depth(self._place.kind).batches and not self.last_error:
            if time.monotonic() > end_s:
                return
            time.sleep(0.02)

    def _drain_once(self) -> bool:
        """Send some of the spool; False if there was nothing to send."""
        place, spool = self._place, self._spool
        if place.safe_after_s:
            self._look_after_sent()
        if self._done:
            self._take_out()
        batches = spool.head(place.kind, _DRAIN_ITEMS)
        if not batches:
            return False
        self._write([item for batch in batches for item in place.decode(batch.body)])
        self._written()
        self._done = batches
        self._take_out()
        return True

    def _take_out(self) -> None:
        kept_s = time.time() if self._place.safe_after_s else None
        self._spool.sent(self._place.kind, self._done, keep_since_s=kept_s)
        self._done = []

    def _look_after_sent(self) -> None:
        """Send again what a restarted place may have lost; forget what is safe by now."""
        started = self._place.started()
        if started is not None and self._started is not None and started != self._started:
            again = self._spool.send_again()
            _log.warning("the store was restarted; %d batches are sent again", again)
        self._started = started if started is not None else self._started
        self._spool.forget_sent(time.time() - self._place.safe_after_s - _SAFE_MARGIN_S)

    def _write(self, items: Sequence[T]) -> None:
        """Write all; single items that are refused for good go to ``refused``.

        Raises:
            LittoralError: the place is away, or refuses everything: then it is the place.
        """
        refused: list[tuple[T, str]] = []
        budget = [_SPLIT_BUDGET]
        accepted = self._split(items, refused, budget)
        if refused and not accepted:
            raise StoreRefusedError(refused[0][1])
        if refused:
            self._place.refused(refused)

    def _split(self, items: Sequence[T], refused: list[tuple[T, str]], budget: list[int]) -> int:
        """Write items, in halves where a part is refused; returns how many were accepted."""
        budget[0] -= 1
        try:
            self._place.write(items)
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
        self.last_write = self._clock.now().isoformat().replace("+00:00", "Z")

    def _failed(self, error: LittoralError) -> None:
        if error.detail != self.last_error:
            _log.warning("%s wait in the spool: %s", self._place.kind, error.detail)
        self.last_error = error.detail
