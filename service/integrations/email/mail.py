"""Mail to people: what is to do today, each morning, and what is urgent, at once."""

from __future__ import annotations

import random
from collections.abc import Callable, Collection, Mapping
from datetime import timedelta
from functools import partial
from typing import Final

from service.advice.engine.history.change_events import ChangeKind, LedgerChange
from service.advice.engine.history.ledger import Ledger
from service.advice.engine.recommendation import UNSEEN, Severity
from service.clock import Clock, SystemClock
from service.config import EmailOptions, RecipientOptions
from service.config.email import delivery_target
from service.derive.caching.drift_cache import MorningDrifts
from service.derive.models.tank_view import TankView
from service.errors import LittoralError, NotFoundError
from service.integrations.delivery_queue import BackgroundDelivery, DeliveryQueue, Outcome
from service.integrations.email.contents import day_of, digest_letter, urgent_letter
from service.integrations.email.letter import Heading, Letter, Paragraph
from service.integrations.email.links import Links
from service.integrations.email.message import message_of
from service.integrations.email.schedule import DIGEST, TEST, digests_due
from service.integrations.email.server import longest_attempt_s, send
from service.registry.models.access import ShareLink
from service.registry.models.events import Delivery, Event
from service.registry.models.recommendations import State
from service.registry.registry import Registry
from service.store.interface import Store

_URGENT: Final = tuple(f"recommendation.{kind}" for kind in (ChangeKind.OPENED, ChangeKind.CHANGED))
UNSEEN_WAIT: Final = timedelta(minutes=1)
"""What the latest evaluation did not find waits so long to be found again, or to be cleared."""


class _NotSeenError(LittoralError):
    """An urgent condition that may be over, or not."""


class Email:
    """Sends mail by one server to its recipients, in a thread of its own.

    What is due and what it says goes by the service's clock, waits by the machine's.
    """

    mended = 0

    def __init__(
        self,
        name: str,
        options: EmailOptions,
        registry: Registry,
        store: Store,
        clock: Clock,
        drifts: MorningDrifts,
        public_url: str | None,
        *,
        claimant: str = "",
        machine_clock: Clock | None = None,
        jitter: Callable[[], float] = random.random,
    ) -> None:
        """Prepare.

        Args:
            clock: the service's.
            drifts: of the pH probes, as the scheduler last found them.
            public_url: where people reach the service; None: mail has no links.
            claimant: as in ``DeliveryQueue``.
            machine_clock: for waits and the date of mail.
            jitter: gives a number from 0 to 1.
        """
        self.name = name
        self._options = options
        self._registry = registry
        self._store = store
        self._clock = clock
        self._drifts = drifts
        self._machine_clock = machine_clock or SystemClock()
        self._links = Links(registry, public_url or "")
        self._ledger = Ledger(registry)
        self._zones: dict[str, str] = {}
        self._made: set[str] = set()
        self._claimant = claimant
        self._queues = [self._queue(one, jitter) for one in options.recipients]
        self._thread = BackgroundDelivery(f"mail {name}", self.deliver_due)

    def _queue(self, recipient: RecipientOptions, jitter: Callable[[], float]) -> DeliveryQueue:
        return DeliveryQueue(
            delivery_target(self.name, recipient.name),
            self._registry,
            partial(self._attempt, recipient),
            attempts=self._options.attempts,
            longest_attempt_s=longest_attempt_s(self._options),
            clock=self._machine_clock,
            jitter=jitter,
            wanted=partial(_wanted, recipient),
            claimant=self._claimant,
        )

    def start(self) -> None:
        """Begin to send in the background."""
        self._thread.start()

    def update(self, view: TankView, change: LedgerChange) -> None:
        """Send soon what is urgent; and know in which zones there are tanks."""
        self._zones[view.tank.id] = view.tank.time_zone
        if any(one.recommendation.finding.severity is Severity.URGENT for one in change.events):
            self._thread.wake()

    def retain_only(self, tanks: frozenset[str]) -> None:
        """Forget deleted tanks."""
        self._zones = {tank: zone for tank, zone in self._zones.items() if tank in tanks}

    def release(self, tanks: Collection[str]) -> None:
        """See ``Integration``."""
        self._zones = {tank: zone for tank, zone in self._zones.items() if tank not in tanks}

    def stop(self) -> None:
        """End after the mail that is under way, within seconds."""
        for queue in self._queues:
            queue.stop()
        self._thread.stop()

    def deliver_due(self) -> int:
        """Send everything that is due now; returns how many attempts were made.

        Raises:
            RegistryUnavailableError: the registry cannot be reached.
        """
        self._make_digests()
        return sum(queue.deliver_due() for queue in self._queues)

    def _make_digests(self) -> None:
        """Put the mail of the day into the log of events, for each recipient once."""
        zones, now = dict(self._zones), self._clock.now()
        for one in self._options.recipients:
            target = delivery_target(self.name, one.name)
            own = sorted({zone for tank, zone in zones.items() if one.gets(tank)})
            fresh = [
                event
                for event in digests_due(target, one.digest, own, now)
                if event.id not in self._made
            ]
            self._registry.add_once(fresh)
            self._made |= {event.id for event in fresh}

    def _attempt(self, recipient: RecipientOptions, delivery: Delivery) -> Outcome:
        event = delivery.event
        target = self._registry.targets().get(delivery.target)
        if target is not None and target.stopped is not None:
            return Outcome(False, skipped=True, error="the recipient wants no mail")
        newest = self._registry.revisions([event.subject]).get(event.subject)
        if newest is not None and newest.sequence > event.sequence:
            return Outcome(False, skipped=True, error="a newer one takes its place")
        made: list[ShareLink] = []
        try:
            letter = self._letter(recipient, event, delivery.target, made)
        except _NotSeenError as error:
            return Outcome(False, error=error.detail, wait=UNSEEN_WAIT)
        except LittoralError as error:
            return Outcome(False, error=error.detail)
        if isinstance(letter, str):
            return Outcome(False, skipped=True, error=letter)
        message = message_of(
            letter,
            sender=self._options.sender,
            recipient=recipient,
            id=event.id,
            now=self._machine_clock.now(),
            unsubscribe=self._links.one_click(delivery.target),
        )
        outcome = send(self._options, message, recipient.to)
        if not outcome.delivered:
            self._links.take_back(made, self._clock.now())
        return outcome

    def _letter(
        self, recipient: RecipientOptions, event: Event, target: str, made: list[ShareLink]
    ) -> Letter | str:
        """What to send; a text: why there is nothing to send."""
        footer = self._footer(target)
        if event.type == TEST:
            words = "This is a test. Mail from Littoral reaches you."
            return Letter("Test mail", "", (Heading("Test mail", 1), Paragraph(words)), footer)
        if event.type == DIGEST:
            return self._digest(recipient, event.data, footer, made)
        return self._urgent(recipient, event, footer, made)

    def _digest(
        self,
        recipient: RecipientOptions,
        data: Mapping[str, object],
        footer: tuple[Paragraph, ...],
        made: list[ShareLink],
    ) -> Letter | str:
        if data.get("first"):
            return "the first mail comes at the next hour of the configuration"
        now = self._clock.now()
        tanks = [one for one in self._registry.tanks() if recipient.gets(one.id)]
        own = [one for one in tanks if one.time_zone == data["zone"]]
        days = [day_of(one, self._registry, self._store, now, self._drifts) for one in own]
        shown = [self._links.linked(day, recipient, now, made) for day in days if day.has_work]
        if not shown:
            return "nothing to do"
        return digest_letter(shown, recipient, now, footer)

    def _urgent(
        self,
        recipient: RecipientOptions,
        event: Event,
        footer: tuple[Paragraph, ...],
        made: list[ShareLink],
    ) -> Letter | str:
        try:
            one = self._ledger.get(event.subject)
            tank = self._registry.tank(event.tank)
        except NotFoundError:
            return "the tank or the recommendation is gone"
        if one.state is not State.OPEN or one.finding.severity is not Severity.URGENT:
            return "it is no longer urgent"
        if one.extra.get(UNSEEN):
            raise _NotSeenError("the latest evaluation did not find it")
        link = self._links.of_tank(tank, recipient, self._clock.now(), made)
        return urgent_letter(tank, one, recipient, link, footer)

    def _footer(self, target: str) -> tuple[Paragraph, ...]:
        stop = self._links.stop(target)
        if stop:
            return (Paragraph("To get no more mail from Littoral:", stop),)
        return (Paragraph("To get no more mail from Littoral, ask whoever runs it."),)


def _wanted(recipient: RecipientOptions, event: Event) -> bool:
    """Whether an event makes a mail to a recipient: what is addressed to them, and what is urgent
    on their tanks."""
    if event.target:
        return True
    urgent = event.type in _URGENT and event.data.get("severity") == Severity.URGENT.word
    return recipient.urgent and urgent and recipient.gets(event.tank)
