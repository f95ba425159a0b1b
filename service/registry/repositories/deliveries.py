"""Registry of deliveries: which event has reached which target, and what is to be tried again.

They are made by ``delivery_targets``. At least once: a delivery is claimed for a while, tried, and
then settled. A process that dies in between leaves a claim that runs out, and another one tries
again. Events with the same subject reach a target in their order: a later one waits until the
earlier one is delivered or dead.
"""

from __future__ import annotations

from collections.abc import Collection
from datetime import datetime, timedelta

from sqlalchemy import exists, func, or_, select, update
from sqlalchemy.orm import aliased

from service.errors import ConflictError, NotFoundError
from service.registry.audit import Action, AuditedWrite
from service.registry.database.connection import Database
from service.registry.models.events import Delivery, DeliveryState
from service.registry.repositories.events import event_of
from service.registry.tables.events import DeliveryRow, EventRow

ERROR_LENGTH = 500


class DeliveryRepository(Database):
    """Deliveries: claimed, tried, settled, sent again."""

    def claim_deliveries(
        self,
        target: str,
        now: datetime,
        claim: timedelta,
        *,
        claimant: str = "",
        limit: int = 20,
    ) -> list[Delivery]:
        """Take deliveries that are due, oldest first; nobody else gets them for ``claim``.

        Args:
            claimant: id of the scheduler that takes them: its claims end with it.
        """
        earlier = aliased(DeliveryRow)
        held_up = exists().where(
            earlier.target == DeliveryRow.target,
            earlier.subject == DeliveryRow.subject,
            earlier.state == DeliveryState.WAITING.value,
            earlier.event < DeliveryRow.event,
        )
        free = or_(DeliveryRow.claimed_until.is_(None), DeliveryRow.claimed_until <= now)
        due = (
            select(DeliveryRow, EventRow)
            .join(EventRow, EventRow.sequence == DeliveryRow.event)
            .where(
                DeliveryRow.target == target,
                DeliveryRow.state == DeliveryState.WAITING.value,
                DeliveryRow.next_try <= now,
                free,
                ~held_up,
            )
            .order_by(DeliveryRow.event)
            .limit(limit)
        )
        with self.session(writes=False) as session:
            if not session.execute(due.with_only_columns(DeliveryRow.id).limit(1)).first():
                return []  # asked often: no write lock for nothing
        with self.session(writes="bookkeeping") as session:
            pairs = session.execute(due.with_for_update(of=DeliveryRow, skip_locked=True)).all()
            for row, _ in pairs:
                row.claimed_until, row.claimed_by = now + claim, claimant
        return [_delivery(row, event) for row, event in pairs]

    def is_claimed(self, id: int, claimant: str) -> bool:
        """Whether a delivery still waits, and is claimed by this one."""
        query = select(DeliveryRow.id).where(
            DeliveryRow.id == id,
            DeliveryRow.state == DeliveryState.WAITING.value,
            DeliveryRow.claimed_by == claimant,
        )
        with self.session(writes=False) as session:
            return session.scalar(query) is not None

    def release_deliveries(self, ids: Collection[int], claimant: str = "") -> None:
        """Give deliveries that one has claimed back untried."""
        with self.session(writes="bookkeeping") as session:
            session.execute(
                update(DeliveryRow)
                .where(DeliveryRow.id.in_(ids), DeliveryRow.claimed_by == claimant)
                .values(claimed_until=None, claimed_by="")
            )

    def settle_delivered(self, id: int, now: datetime, claimant: str | None = None) -> bool:
        """Note that the target has taken it.

        Args:
            claimant: only if it is still claimed by this one; returns False where it is not.
        """
        return self._settle(id, DeliveryState.DELIVERED, now, "", claimant)

    def settle_dead(self, id: int, now: datetime, error: str, claimant: str | None = None) -> bool:
        """Note that it is given up; ``claimant`` as in ``settle_delivered``."""
        return self._settle(id, DeliveryState.DEAD, now, error, claimant)

    def settle_skipped(
        self, id: int, now: datetime, reason: str, claimant: str | None = None
    ) -> bool:
        """Note that there was nothing to send any more; ``claimant`` as in ``settle_delivered``."""
        return self._settle(id, DeliveryState.SKIPPED, now, reason, claimant)

    def put_off(self, id: int, next_try: datetime, error: str, claimant: str | None = None) -> bool:
        """Note a failed attempt, to be repeated at ``next_try``; ``claimant`` as above."""
        return self._change(
            id,
            claimant,
            attempts=DeliveryRow.attempts + 1,
            next_try=next_try,
            claimed_until=None,
            claimed_by="",
            last_error=error[:ERROR_LENGTH],
        )

    def redeliver(self, id: int, now: datetime) -> Delivery:
        """Send a dead delivery again, as if for the first time.

        Raises:
            NotFoundError: there is none of this id.
            ConflictError: it is not dead.
        """
        write = AuditedWrite(Action.DELIVERY_RESENT, f"deliveries/{id}")
        with self.session(writes=write) as session:
            found = session.execute(
                select(DeliveryRow, EventRow)
                .join(EventRow, EventRow.sequence == DeliveryRow.event)
                .where(DeliveryRow.id == id)
                .with_for_update(of=DeliveryRow)
            )
            pair = found.one_or_none()
            if pair is None:
                raise NotFoundError(f"delivery is {id!r}; allowed: the id of a delivery")
            row, event = pair
            if row.state != DeliveryState.DEAD.value:
                raise ConflictError(f"delivery {id} is {row.state}; only a dead one is sent again")
            row.state, row.attempts, row.settled = DeliveryState.WAITING.value, 0, None
            row.next_try, row.claimed_until, row.claimed_by = now, None, ""
        return _delivery(row, event)

    def deliveries(
        self,
        *,
        target: str | None = None,
        states: Collection[DeliveryState] | None = None,
        before: int | None = None,
        limit: int = 100,
    ) -> list[Delivery]:
        """Deliveries, newest first.

        Args:
            before: only those with a smaller id.
            limit: at most so many.
        """
        query = select(DeliveryRow, EventRow).join(EventRow, EventRow.sequence == DeliveryRow.event)
        if target is not None:
            query = query.where(DeliveryRow.target == target)
        if states is not None:
            query = query.where(DeliveryRow.state.in_([state.value for state in states]))
        if before is not None:
            query = query.where(DeliveryRow.id < before)
        with self.session(writes=False) as session:
            pairs = session.execute(query.order_by(DeliveryRow.id.desc()).limit(limit))
            return [_delivery(row, event) for row, event in pairs]

    def delivery_counts(self) -> dict[tuple[str, DeliveryState], int]:
        """How many deliveries there are, by target and state."""
        query = select(DeliveryRow.target, DeliveryRow.state, func.count()).group_by(
            DeliveryRow.target, DeliveryRow.state
        )
        with self.session(writes=False) as session:
            rows = session.execute(query).all()
        return {(target, DeliveryState(state)): count for target, state, count in rows}

    def failing_deliveries(self) -> list[Delivery]:
        """The last delivery that was attempted to each target where that one failed."""
        last = (
            select(func.max(DeliveryRow.id))
            .where(DeliveryRow.attempts > 0, DeliveryRow.state != DeliveryState.SKIPPED.value)
            .group_by(DeliveryRow.target)
        )
        query = (
            select(DeliveryRow, EventRow)
            .join(EventRow, EventRow.sequence == DeliveryRow.event)
            .where(DeliveryRow.id.in_(last), DeliveryRow.state != DeliveryState.DELIVERED.value)
            .order_by(DeliveryRow.target)
        )
        with self.session(writes=False) as session:
            return [_delivery(row, event) for row, event in session.execute(query)]

    def _settle(
        self, id: int, state: DeliveryState, now: datetime, error: str, claimant: str | None
    ) -> bool:
        return self._change(
            id,
            claimant,
            state=state.value,
            attempts=DeliveryRow.attempts + 1,
            settled=now,
            claimed_until=None,
            claimed_by="",
            last_error=error[:ERROR_LENGTH],
        )

    def _change(self, id: int, claimant: str | None, **values: object) -> bool:
        query = update(DeliveryRow).where(
            DeliveryRow.id == id, DeliveryRow.state == DeliveryState.WAITING.value
        )
        if claimant is not None:
            query = query.where(DeliveryRow.claimed_by == claimant)
        query = query.values(**values).execution_options(synchronize_session=False)
        with self.session(writes="bookkeeping") as session:
            return session.scalar(query.returning(DeliveryRow.id)) is not None


def _delivery(row: DeliveryRow, event: EventRow) -> Delivery:
    return Delivery(
        id=row.id,
        target=row.target,
        event=event_of(event),
        state=DeliveryState(row.state),
        attempts=row.attempts,
        next_try=row.next_try,
        last_error=row.last_error,
        settled=row.settled,
    )
