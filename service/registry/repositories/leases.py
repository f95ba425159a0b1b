"""Registry of schedulers and leases: several processes share the tanks of one registry.

No clock is compared: a scheduler counts as gone when others see that its beat stands still. What it
would still write is refused by ``check_fence``, whatever any clock says.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from datetime import UTC, datetime
from typing import Final

from sqlalchemy import delete, select, update
from sqlalchemy.orm import Session

from service.registry.database.connection import Database
from service.registry.models.partitions import LEASES, NOBODY, moves
from service.registry.models.schedulers import (
    SHARING_STATUS,
    Lease,
    Membership,
    SchedulerProcess,
    status_name,
)
from service.registry.tables.events import DeliveryRow
from service.registry.tables.processes import LeaseRow, SchedulerRow, StatusRow

LOCK_KEY: Final = 0x11770_1EA
"""Key of PostgreSQL's advisory lock on the division of the leases; never changes."""


class LeaseRepository(Database):
    """Schedulers and their leases."""

    def membership(self) -> Membership:
        """All schedulers and leases; one short reading transaction."""
        with self.session(writes=False) as session:
            return _membership(session)

    def beat(self, id: str) -> bool:
        """Show that a scheduler runs; returns False where others hold it for gone."""
        query = update(SchedulerRow).where(SchedulerRow.id == id)
        query = query.values(beat=SchedulerRow.beat + 1).returning(SchedulerRow.id)
        with self.session(writes="bookkeeping") as session:
            return session.scalar(query) is not None

    def divide(
        self, me: SchedulerProcess, silent: Mapping[str, int], *, may_give: bool
    ) -> Membership:
        """Join, take what is free up to one's part, give up what is above it, in one transaction.

        Args:
            silent: beat by id of the schedulers that seem to be gone: if that is still their beat,
                they are removed, and what they held and claimed is free.
            may_give: whether leases may be given up now.
        """
        with self.session(writes="bookkeeping") as session:
            self._one_at_a_time(session, LOCK_KEY)
            self._remove(session, silent)
            row = session.get(SchedulerRow, me.id)
            if row is None:
                session.add(_row(me))
            else:
                row.beat += 1
            session.flush()
            present = _membership(session)
            holders = {name: one.holder for name, one in present.leases.items()}
            wanted = moves(me.id, tuple(present.schedulers), holders)
            given = wanted.give if may_give else ()
            self._hand(session, dict.fromkeys(given, NOBODY) | dict.fromkeys(wanted.take, me.id))
            return _membership(session)

    def leave(self, id: str) -> None:
        """Free all that a scheduler holds, at its end."""
        with self.session(writes="bookkeeping") as session:
            self._one_at_a_time(session, LOCK_KEY)
            _forget(session, [id])

    def _remove(self, session: Session, silent: Mapping[str, int]) -> None:
        """Remove schedulers that are gone, and the status of all that are."""
        rows = session.scalars(
            select(SchedulerRow).where(SchedulerRow.id.in_(silent)).with_for_update()
        )
        _forget(session, [row.id for row in rows if row.beat == silent[row.id]])
        known = session.scalars(select(SchedulerRow.id)).all()
        of_known = [status_name(id) for id in known]
        session.execute(
            delete(StatusRow).where(
                StatusRow.name.startswith(SHARING_STATUS, autoescape=True),
                StatusRow.name.not_in(of_known),
            )
        )

    def _hand(self, session: Session, holders: Mapping[str, str]) -> None:
        """Give leases to holders, with a new token each."""
        for name in set(holders) - set(session.scalars(select(LeaseRow.name))):
            session.add(LeaseRow(name=name, holder=NOBODY, token=0))
        session.flush()
        # Whoever writes under a lease has a lock on it. One that stands still amid a transaction
        # must not hold up the others: its lease is taken the next time.
        query = select(LeaseRow).where(LeaseRow.name.in_(holders))
        for row in session.scalars(query.with_for_update(skip_locked=True)):
            row.holder = holders[row.name]
            row.token += 1


def _forget(session: Session, ids: Collection[str]) -> None:
    """Remove schedulers; what they held and claimed is free."""
    if not ids:
        return
    session.execute(delete(SchedulerRow).where(SchedulerRow.id.in_(ids)))
    session.execute(
        update(DeliveryRow)
        .where(DeliveryRow.claimed_by.in_(ids))
        .values(claimed_until=None, claimed_by="")
    )


def _membership(session: Session) -> Membership:
    schedulers = session.scalars(select(SchedulerRow).order_by(SchedulerRow.id)).all()
    leases = session.scalars(select(LeaseRow).execution_options(populate_existing=True)).all()
    known = {row.name: Lease(row.holder, row.token) for row in leases}
    return Membership(
        {row.id: _scheduler(row) for row in schedulers},
        {name: known.get(name, Lease(NOBODY, 0)) for name in LEASES},
    )


def _row(one: SchedulerProcess) -> SchedulerRow:
    return SchedulerRow(
        id=one.id,
        name=one.name,
        process=one.process,
        lease_s=one.lease_s,
        published=[dict(each) for each in one.published],
        beat=0,
        since=datetime.now(UTC),
    )


def _scheduler(row: SchedulerRow) -> SchedulerProcess:
    return SchedulerProcess(
        row.id,
        row.name,
        row.process,
        row.lease_s,
        tuple(row.published),
        row.beat,
        row.since,
    )
