"""Deliveries to one target, from the registry's log of events: at least once, in order, retried.

Webhooks and mail use it: what they differ in is one attempt.
"""

from __future__ import annotations

import logging
import random
import threading
import uuid
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Final

from service.clock import Clock, SystemClock
from service.errors import LittoralError
from service.registry.models.events import Delivery, Event
from service.registry.registry import Registry

FIRST_WAIT: Final = timedelta(seconds=10)
LONGEST_BACKOFF: Final = timedelta(hours=1)
POLL_S: Final = 2.0
AT_ONCE: Final = 20
STOP_WAIT_S: Final = 5.0
LONGEST_REASON: Final = 200
"""Characters of what went wrong that are stored and logged."""

_log = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True)
class Outcome:
    """The outcome of an attempt.

    Attributes:
        delivered: the receiver took it.
        gone: the receiver will never take it: no further attempt.
        skipped: there was nothing to send any more; ``error`` says why.
        error: why not delivered, without anything secret.
        wait: the pause that the receiver asks for.
    """

    delivered: bool
    gone: bool = False
    skipped: bool = False
    error: str = ""
    wait: timedelta = timedelta(0)


class DeliveryQueue:
    """Deliveries to one target; several processes may work on the same.

    The clock is the machine's, also in the demo: waits are for the real world.
    """

    def __init__(
        self,
        target: str,
        registry: Registry,
        attempt: Callable[[Delivery], Outcome],
        *,
        attempts: int,
        longest_attempt_s: float,
        clock: Clock | None = None,
        jitter: Callable[[], float] = random.random,
        wanted: Callable[[Event], bool] | None = None,
        claimant: str = "",
    ) -> None:
        """Prepare.

        Args:
            target: the name under which its deliveries are stored.
            attempt: makes one attempt; does not raise for what the other side does. A LittoralError
                (the registry is away) says that nothing was delivered.
            attempts: so many, then a delivery is given up.
            longest_attempt_s: an attempt takes no longer.
            jitter: gives a number from 0 to 1.
            wanted: which events are for this target; None: all.
            claimant: id of the scheduler that delivers, whose claims end with it; "": one that
                nobody else knows.
        """
        self.target = target
        self._registry = registry
        self._attempt = attempt
        self._attempts = attempts
        # A claim outlasts all attempts of one round, each at its slowest.
        self._claim = timedelta(seconds=(AT_ONCE + 1) * longest_attempt_s)
        self._clock = clock or SystemClock()
        self._jitter = jitter
        self._wanted = wanted
        self._claimant = claimant or uuid.uuid4().hex
        self._stopping = threading.Event()
        # What a registry that was away in the middle of a round has left undone.
        self._not_noted: tuple[Delivery, Outcome, datetime] | None = None
        self._not_attempted: list[int] = []

    def deliver_due(self) -> int:
        """Attempt everything that is due now; returns how many attempts were made.

        Raises:
            RegistryUnavailableError: the registry cannot be reached.
        """
        self._finish_round()
        self._registry.hand_over(self.target, self._clock.now(), self._wanted)
        made = 0
        while not self._stopping.is_set():
            due = self._registry.claim_deliveries(
                self.target,
                self._clock.now(),
                self._claim,
                claimant=self._claimant,
                limit=AT_ONCE,
            )
            if not due:
                break
            self._not_attempted = [one.id for one in due]
            for delivery in due:
                if self._stopping.is_set():
                    break
                # Whoever stood still for long may find that another one delivers it.
                if self._registry.is_claimed(delivery.id, self._claimant):
                    self._not_noted = delivery, self._attempted(delivery), self._clock.now()
                    made += 1
                del self._not_attempted[0]
                self._settle()
            self._finish_round()
        return made

    def stop(self) -> None:
        """Begin no further attempt."""
        self._stopping.set()

    def _attempted(self, delivery: Delivery) -> Outcome:
        try:
            return self._attempt(delivery)
        except LittoralError:
            raise
        except Exception:
            # An odd one comes again when its claim has run out: at once it would hold up others.
            self._not_attempted.remove(delivery.id)
            raise

    def _finish_round(self) -> None:
        """Note the last attempt, and give back what was claimed and not attempted."""
        self._settle()
        if self._not_attempted:
            self._registry.release_deliveries(self._not_attempted, self._claimant)
            self._not_attempted = []

    def _settle(self) -> None:
        """Note the outcome of the last attempt; one that cannot be noted waits for the next time.

        Raises:
            RegistryUnavailableError: the registry cannot be reached.
        """
        if self._not_noted is None:
            return
        delivery, outcome, now = self._not_noted
        noted = self._note(delivery, outcome, now)
        self._not_noted = None
        if not noted:
            _log.warning(
                "%s: event %s was taken over by another process while it was delivered; it may "
                "come twice", self.target, delivery.event.id,
            )  # fmt: skip

    def _note(self, delivery: Delivery, outcome: Outcome, now: datetime) -> bool:
        """Note an outcome; returns whether the delivery was still ours."""
        registry, claimant = self._registry, self._claimant
        if outcome.delivered:
            return registry.settle_delivered(delivery.id, now, claimant)
        if outcome.skipped:
            return registry.settle_skipped(delivery.id, now, outcome.error, claimant)
        tried = delivery.attempts + 1
        if outcome.gone or tried >= self._attempts:
            _log.error(
                "%s: event %s is given up after %d attempts: %s",
                self.target, delivery.event.id, tried, outcome.error,
            )  # fmt: skip
            return registry.settle_dead(delivery.id, now, outcome.error, claimant)
        wait = max(backoff(tried, self._jitter()), outcome.wait)
        _log.warning(
            "%s: attempt %d of event %s failed: %s; again in %d s",
            self.target, tried, delivery.event.id, outcome.error, wait.total_seconds(),
        )  # fmt: skip
        return registry.put_off(delivery.id, now + wait, outcome.error, claimant)


class BackgroundDelivery:
    """A thread that delivers what is due every few seconds, and at once when woken."""

    def __init__(self, name: str, deliver_due: Callable[[], object]) -> None:
        """Prepare; ``start`` begins."""
        self.name = name
        self._deliver_due = deliver_due
        self._wake = threading.Event()
        self._stopping = threading.Event()
        self._thread: threading.Thread | None = None

    def start(self) -> None:
        """Begin."""
        self._thread = threading.Thread(target=self._run, name=f"delivery-{self.name}", daemon=True)
        self._thread.start()

    def wake(self) -> None:
        """Deliver now."""
        self._wake.set()

    def stop(self) -> None:
        """End after the attempt that is under way, within seconds."""
        self._stopping.set()
        self._wake.set()
        if self._thread is not None:
            self._thread.join(STOP_WAIT_S)

    def _run(self) -> None:
        while not self._stopping.is_set():
            try:
                self._deliver_due()
            except LittoralError as error:
                _log.warning("%s: %s", self.name, error.detail)
            except Exception:  # noqa: BLE001 - one odd event must not end all deliveries
                _log.exception("delivery to %s failed", self.name)
            self._wake.wait(POLL_S)
            self._wake.clear()


def backoff(failures: int, jitter: float) -> timedelta:
    """The wait after so many failures: doubling from ``FIRST_WAIT`` to ``LONGEST_BACKOFF``.

    Args:
        jitter: 0 to 1: the wait is between half of that and all of it, so that deliveries that
            failed together do not come back together.
    """
    doubled: timedelta = FIRST_WAIT * 2 ** min(failures - 1, 20)
    return min(doubled, LONGEST_BACKOFF) * (0.5 + 0.5 * jitter)


def printable(text: str) -> str:
    """What the other side may have sent, short and on one line."""
    return "".join(one if one.isprintable() else "?" for one in text[:LONGEST_REASON])
