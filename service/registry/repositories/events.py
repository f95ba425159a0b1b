"""Registry of events: what happened, in one order that every listener sees alike."""

from __future__ import annotations

import uuid
from collections.abc import Collection, Sequence
from dataclasses import replace
from datetime import datetime

from sqlalchemy import delete, exists, func, select
from sqlalchemy.orm import Session

from service.registry.database.connection import Database
from service.registry.models.events import DeliveryState, Event, NewEvent, Revision
from service.registry.models.recommendations import ACTIVE_STATES
from service.registry.tables.advice import RecommendationRow
from service.registry.tables.events import DeliveryRow, EventRow

LOCK_KEY = 0x11770_2A2
"""Key of PostgreSQL's advisory lock on the order of events; never changes."""


class EventRepository(Database):
    """Events, stored until they are pruned."""

    def add_events(self, events: Sequence[NewEvent], session: Session | None = None) -> None:
        """Append events.

        Args:
            session: a transaction of the caller that they belong to: then they happen if, and
                only if, it commits. Without it they get a transaction of their own.
        """
        if not events:
            return
        if session is None:
            with self.session(writes="bookkeeping") as own:
                self.add_events(events, own)
            return
        # Numbers are given before the commit. Without this lock a later number could become
        # visible first, and a listener would pass over the earlier one for ever.
        self._one_at_a_time(session, LOCK_KEY)
        for event in events:
            row = self._insert()(EventRow).values(
                id=event.id or str(uuid.uuid4()),
                type=event.type,
                subject=event.subject,
                tank=event.tank,
                time=event.time,
                data=dict(event.data),
                target=event.target,
            )
            # one by one, so that they are numbered in the order given
            session.execute(row.on_conflict_do_nothing(index_elements=["id"]))

    def add_once(self, events: Sequence[NewEvent]) -> None:
        """Append those events, each with an id of its own, that were not appended before.

        Their data say ``first`` where nothing with their subject had happened before.
        """
        ids = [event.id for event in events]
        with self.session(writes=False) as session:
            known = set(session.scalars(select(EventRow.id).where(EventRow.id.in_(ids))))
        for event in events:
            if event.id not in known:
                first = event.subject not in self.revisions([event.subject])
                self.add_events([replace(event, data={**event.data, "first": first})])

    def events(self, after: int = 0, *, limit: int = 100, tank: str | None = None) -> list[Event]:
        """Events for all with a sequence above ``after``, oldest first; of one tank, or all."""
        query = select(EventRow).where(EventRow.sequence > after, EventRow.target == "")
        query = query.order_by(EventRow.sequence)
        if tank is not None:
            query = query.where(EventRow.tank == tank)
        with self.session(writes=False) as session:
            rows = session.scalars(query.limit(limit)).all()
        return [event_of(row) for row in rows]

    def last_sequence(self) -> int:
        """The sequence of the newest event; 0 before the first."""
        with self.session(writes=False) as session:
            return session.scalar(select(func.max(EventRow.sequence))) or 0

    def revisions(self, subjects: Collection[str]) -> dict[str, Revision]:
        """The newest event of each subject that has one."""
        newest = (
            select(func.max(EventRow.sequence))
            .where(EventRow.subject.in_(subjects))
            .group_by(EventRow.subject)
        )
        query = select(EventRow.subject, EventRow.sequence, EventRow.time).where(
            EventRow.sequence.in_(newest)
        )
        with self.session(writes=False) as session:
            rows = session.execute(query).all()
        return {subject: Revision(sequence, time) for subject, sequence, time in rows}

    def prune_events(self, before: datetime) -> int:
        """Delete events older than ``before``; returns how many.

        Those that still wait for delivery stay, and those of active recommendations: the newest
        of them is their revision. Dead deliveries go with their events.
        """
        waiting = exists().where(
            DeliveryRow.event == EventRow.sequence,
            DeliveryRow.state == DeliveryState.WAITING.value,
        )
        of_active = exists().where(
            RecommendationRow.id == EventRow.subject,
            RecommendationRow.state.in_([one.value for one in ACTIVE_STATES]),
        )
        with self.session(writes="bookkeeping") as session:
            gone = session.scalars(
                delete(EventRow)
                .where(EventRow.time < before, ~waiting, ~of_active)
                .returning(EventRow.sequence)
                .execution_options(synchronize_session=False)
            ).all()
        return len(gone)


def event_of(row: EventRow) -> Event:
    """The event of a row."""
    return Event(
        sequence=row.sequence,
        id=row.id,
        type=row.type,
        subject=row.subject,
        tank=row.tank,
        time=row.time,
        data=row.data,
        target=row.target,
    )
