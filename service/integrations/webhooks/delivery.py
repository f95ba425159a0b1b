"""Webhooks: events from the registry's log, delivered at least once, in order for each subject."""

from __future__ import annotations

import logging
import random
import threading
from collections.abc import Callable
from datetime import datetime, timedelta
from typing import Final

from service.advice.engine.change_events import LedgerChange
from service.clock import Clock, SystemClock
from service.derive.models import TankView
from service.errors import LittoralError
from service.integrations.webhooks.checked_address import CheckedSession
from service.integrations.webhooks.post import Outcome, longest_attempt_s, post
from service.integrations.webhooks.target import WebhookTarget
from service.registry.events import Delivery
from service.registry.registry import Registry

FIRST_WAIT: Final = timedelta(seconds=10)
LONGEST_BACKOFF: Final = timedelta(hours=1)
POLL_S: Final = 2.0
AT_ONCE: Final = 20
STOP_WAIT_S: Final = 5.0

_log = logging.getLogger(__name__)


class Webhook:
    """Delivers to one target in a thread of its own, so that a slow one holds up no other.

    Deliveries are rows of the registry; several processes may run the same target.
    The clock is the machine's, also in the demo: waits and signatures are for the real world.
    """

    mended = 0

    def __init__(
        self,
        target: WebhookTarget,
        registry: Registry,
        clock: Clock | None = None,
        jitter: Callable[[], float] = random.random,
    ) -> None:
        """Prepare.

        Args:
            jitter: gives a number from 0 to 1.
        """
        self.name = target.name
        self._target = target
        self._registry = registry
        self._clock = clock or SystemClock()
        self._jitter = jitter
        self._session = CheckedSession(target.options.allow_networks, target.options.ca_file)
        self._wake = threading.Event()
        self._stopping = threading.Event()
        self._thread: threading.Thread | None = None

    def start(self) -> None:
        """Begin to deliver in the background."""
        self._thread = threading.Thread(target=self._run, name=f"webhook-{self.name}", daemon=True)
        self._thread.start()

    def update(self, view: TankView, change: LedgerChange) -> None:
        """Deliver soon what the ledger has written to the log of events."""
        if change.events:
            self._wake.set()

    def retain_only(self, tanks: frozenset[str]) -> None:
        """A deleted tank makes no events; those from before are still delivered."""

    def stop(self) -> None:
        """End after the attempt that is under way, within seconds."""
        self._stopping.set()
        self._wake.set()
        if self._thread is not None:
            self._thread.join(STOP_WAIT_S)

    def deliver_due(self) -> int:
        """Attempt everything that is due now; returns how many attempts were made.

        Raises:
            RegistryUnavailableError: the registry cannot be reached.
        """
        self._registry.hand_over(self.name, self._clock.now())
        made = 0
        # A claim outlasts all attempts of one round, each at its slowest.
        claim = timedelta(seconds=(AT_ONCE + 1) * longest_attempt_s(self._target))
        while not self._stopping.is_set():
            due = self._registry.claim_deliveries(
                self.name, self._clock.now(), claim, limit=AT_ONCE
            )
            if not due:
                break
            for index, delivery in enumerate(due):
                if self._stopping.is_set():
                    self._registry.release_deliveries([one.id for one in due[index:]])
                    break
                outcome = post(self._session, self._target, delivery.event, self._clock.now())
                self._settle(delivery, outcome, self._clock.now())
                made += 1
        return made

    def _run(self) -> None:
        while not self._stopping.is_set():
            try:
                self.deliver_due()
            except LittoralError as error:
                _log.warning("webhook %s: %s", self.name, error.detail)
            except Exception:  # noqa: BLE001 - one odd event must not end all deliveries
                _log.exception("webhook %s failed", self.name)
            self._wake.wait(POLL_S)
            self._wake.clear()

    def _settle(self, delivery: Delivery, outcome: Outcome, now: datetime) -> None:
        if outcome.delivered:
            self._registry.settle_delivered(delivery.id, now)
            return
        tried = delivery.attempts + 1
        if outcome.gone or tried >= self._target.options.attempts:
            _log.error(
                "webhook %s: event %s is given up after %d attempts: %s",
                self.name, delivery.event.id, tried, outcome.error,
            )  # fmt: skip
            self._registry.settle_dead(delivery.id, now, outcome.error)
            return
        wait = max(backoff(tried, self._jitter()), outcome.wait)
        _log.warning(
            "webhook %s: attempt %d of event %s failed: %s; again in %d s",
            self.name, tried, delivery.event.id, outcome.error, wait.total_seconds(),
        )  # fmt: skip
        self._registry.put_off(delivery.id, now + wait, outcome.error)


def backoff(failures: int, jitter: float) -> timedelta:
    """The wait after so many failures: doubling from ``FIRST_WAIT`` to ``LONGEST_BACKOFF``.

    Args:
        jitter: 0 to 1: the wait is between half of that and all of it, so that deliveries that
            failed together do not come back together.
    """
    doubled: timedelta = FIRST_WAIT * 2 ** min(failures - 1, 20)
    return min(doubled, LONGEST_BACKOFF) * (0.5 + 0.5 * jitter)
