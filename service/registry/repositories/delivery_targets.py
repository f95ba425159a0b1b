"""Registry of the targets that events are delivered to: which events each has been given."""

from __future__ import annotations

from collections.abc import Callable, Collection
from datetime import datetime

from sqlalchemy import delete, func, insert, literal, or_, select

from service.errors import NotFoundError
from service.registry.audit import Action, AuditedWrite
from service.registry.database.connection import Database
from service.registry.models.events import DeliveryState, Event, Target
from service.registry.repositories.events import event_of
from service.registry.tables.events import DeliveryRow, EventRow, TargetRow


class DeliveryTargetRepository(Database):
    """Targets, each a name from the configuration, and the making of their deliveries."""

    def hand_over(
        self, target: str, now: datetime, wanted: Callable[[Event], bool] | None = None
    ) -> int:
        """Make deliveries of the events that a target has not been given yet.

        A target that is new starts with the events that come after this call. Returns how many
        deliveries were made.

        Args:
            wanted: which events the target is given; None: all that are for all or for it.
        """
        if not self._has_new_events(target):
            return 0
        with self.session(writes="bookkeeping") as session:
            row = session.get(TargetRow, target, with_for_update=True)
            # Read once nobody else hands over: an earlier answer would put ``seen`` back.
            newest = session.scalar(select(func.max(EventRow.sequence))) or 0
            if row is None:
                fresh = self._insert()(TargetRow).values(name=target, seen=newest)
                session.execute(fresh.on_conflict_do_nothing(index_elements=["name"]))
                return 0
            span = [EventRow.sequence > row.seen, EventRow.sequence <= newest]
            span.append(or_(EventRow.target == "", EventRow.target == target))
            if wanted is not None:
                events = map(event_of, session.scalars(select(EventRow).where(*span)))
                span.append(EventRow.sequence.in_([one.sequence for one in events if wanted(one)]))
            count = session.scalar(select(func.count()).select_from(EventRow).where(*span)) or 0
            row.seen = newest
            if count == 0:
                return 0
            given = select(
                literal(target),
                EventRow.sequence,
                EventRow.subject,
                literal(DeliveryState.WAITING.value),
                literal(0),
                literal(now, DeliveryRow.next_try.type),
                literal(""),
            ).where(*span)
            names = ["target", "event", "subject", "state", "attempts", "next_try", "last_error"]
            session.execute(
                insert(DeliveryRow).from_select(names, given.order_by(EventRow.sequence))
            )
            return count

    def _has_new_events(self, target: str) -> bool:
        """Whether there is something to hand over; asked often, so it takes no write lock."""
        with self.session(writes=False) as session:
            seen = session.scalar(select(TargetRow.seen).where(TargetRow.name == target))
            if seen is None:
                return True
            later = select(EventRow.sequence).where(EventRow.sequence > seen).limit(1)
            return session.scalar(later) is not None

    def targets(self) -> dict[str, Target]:
        """The targets that deliveries were made for, by name."""
        with self.session(writes=False) as session:
            rows = session.scalars(select(TargetRow)).all()
        return {row.name: Target(row.name, row.stopped) for row in rows}

    def stop_target(self, name: str, now: datetime) -> None:
        """Send a target nothing any more, until ``resume_target``."""
        self._set_stopped(name, now, Action.MAIL_STOPPED)

    def resume_target(self, name: str) -> None:
        """Send a target that was stopped what happens from now on."""
        self._set_stopped(name, None, Action.MAIL_RESUMED)

    def _set_stopped(self, name: str, stopped: datetime | None, action: Action) -> None:
        """Set or clear ``stopped``; one that is as wanted already stays as it is.

        Raises:
            NotFoundError: nothing was ever delivered to a target of this name.
        """
        write = AuditedWrite(action, f"mail/{name}")
        with self.session(writes=write) as session:
            row = session.get(TargetRow, name, with_for_update=True)
            if row is None:
                raise NotFoundError(f"target is {name!r}; allowed: one of the configuration")
            write.happened = (row.stopped is None) != (stopped is None)
            if write.happened:
                row.stopped = stopped

    def retain_targets(self, targets: Collection[str]) -> None:
        """Drop all other targets, which are no longer configured, with their deliveries."""
        with self.session(writes="bookkeeping") as session:
            session.execute(delete(DeliveryRow).where(DeliveryRow.target.not_in(targets)))
            session.execute(delete(TargetRow).where(TargetRow.name.not_in(targets)))
