"""Webhooks: events from the registry's log, delivered at least once, in order for each subject."""

from __future__ import annotations

import random
from collections.abc import Callable, Collection

from service.advice.engine.history.change_events import LedgerChange
from service.clock import Clock, SystemClock
from service.derive.models.tank_view import TankView
from service.integrations.delivery_queue import BackgroundDelivery, DeliveryQueue, Outcome
from service.integrations.webhooks.checked_address import CheckedSession
from service.integrations.webhooks.post import longest_attempt_s, post
from service.integrations.webhooks.target import WebhookTarget
from service.registry.models.events import Delivery
from service.registry.registry import Registry


class Webhook:
    """Delivers to one target in a thread of its own, so that a slow one holds up no other.

    The clock is the machine's, also in the demo: waits and signatures are for the real world.
    """

    mended = 0

    def __init__(
        self,
        target: WebhookTarget,
        registry: Registry,
        clock: Clock | None = None,
        jitter: Callable[[], float] = random.random,
        claimant: str = "",
    ) -> None:
        """Prepare.

        Args:
            jitter: gives a number from 0 to 1.
            claimant: as in ``DeliveryQueue``.
        """
        self.name = target.name
        self._target = target
        self._clock = clock or SystemClock()
        self._session = CheckedSession(target.options.allow_networks, target.options.ca_file)
        self._queue = DeliveryQueue(
            target.name,
            registry,
            self._attempt,
            attempts=target.options.attempts,
            longest_attempt_s=longest_attempt_s(target),
            clock=self._clock,
            jitter=jitter,
            claimant=claimant,
        )
        self._thread = BackgroundDelivery(f"webhook {target.name}", self._queue.deliver_due)

    def start(self) -> None:
        """Begin to deliver in the background."""
        self._thread.start()

    def update(self, view: TankView, change: LedgerChange) -> None:
        """Deliver soon what the ledger has written to the log of events."""
        if change.events:
            self._thread.wake()

    def retain_only(self, tanks: frozenset[str]) -> None:
        """A deleted tank makes no events; those from before are still delivered."""

    def release(self, tanks: Collection[str]) -> None:
        """Deliveries are shared one by one, whoever evaluates a tank."""

    def stop(self) -> None:
        """End after the attempt that is under way, within seconds."""
        self._queue.stop()
        self._thread.stop()

    def deliver_due(self) -> int:
        """Attempt everything that is due now; returns how many attempts were made.

        Raises:
            RegistryUnavailableError: the registry cannot be reached.
        """
        return self._queue.deliver_due()

    def _attempt(self, delivery: Delivery) -> Outcome:
        return post(self._session, self._target, delivery.event, self._clock.now())
