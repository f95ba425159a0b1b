"""Registry of who wrote what when; records are made by ``Database.session``."""

from __future__ import annotations

from datetime import datetime

from sqlalchemy import delete, or_, select

from service.registry.audit import Action, Actor, ActorKind, AuditedWrite, AuditRecord
from service.registry.database.connection import Database, recorded_lately
from service.registry.tables.access import AuditRow

REFUSED_KEPT = 10_000
"""Refused log-ins that are kept at most, since anybody can make one."""


class AuditRepository(Database):
    """Records of what was written, stored until they are pruned."""

    def record(self, write: AuditedWrite) -> None:
        """Record what was not written to the registry itself, such as readings to the store."""
        with self.session(writes=False) as session:
            if recorded_lately(session, write):
                return  # asked often: no write lock for nothing
        with self.session(writes=write):
            pass

    def audit(
        self,
        *,
        actor: str | None = None,
        action: Action | None = None,
        subject: str | None = None,
        start: datetime | None = None,
        end: datetime | None = None,
        before: int | None = None,
        limit: int = 100,
    ) -> list[AuditRecord]:
        """Records, newest first.

        Args:
            actor: only of this id or name.
            action: only this one.
            subject: only of this one and what is below it; ``tanks/riffle`` also for its log.
            start, end: only those with start <= time < end.
            before: only those with a smaller sequence.
            limit: at most so many.
        """
        query = select(AuditRow).order_by(AuditRow.sequence.desc()).limit(limit)
        if actor is not None:
            query = query.where(or_(AuditRow.actor_id == actor, AuditRow.actor_name == actor))
        if action is not None:
            query = query.where(AuditRow.action == action.value)
        if subject is not None:
            below = AuditRow.subject.startswith(f"{subject}/", autoescape=True)
            query = query.where(or_(AuditRow.subject == subject, below))
        if start is not None:
            query = query.where(AuditRow.time >= start)
        if end is not None:
            query = query.where(AuditRow.time < end)
        if before is not None:
            query = query.where(AuditRow.sequence < before)
        with self.session(writes=False) as session:
            return [_record(row) for row in session.scalars(query)]

    def prune_audit(self, before: datetime, *, refused: int = REFUSED_KEPT) -> int:
        """Delete records older than ``before``, and all but the newest refused log-ins.

        Returns how many were deleted.
        """
        refusals = AuditRow.action == Action.LOGIN_REFUSED.value
        oldest_kept = (
            select(AuditRow.sequence)
            .where(refusals)
            .order_by(AuditRow.sequence.desc())
            .offset(refused)
            .limit(1)
            .scalar_subquery()
        )
        surplus = refusals & (AuditRow.sequence <= oldest_kept)
        query = delete(AuditRow).where(or_(AuditRow.time < before, surplus))
        query = query.execution_options(synchronize_session=False)
        with self.session(writes="bookkeeping") as session:
            return len(session.scalars(query.returning(AuditRow.sequence)).all())


def _record(row: AuditRow) -> AuditRecord:
    actor = Actor(ActorKind(row.actor_kind), row.actor_id, row.actor_name, row.address)
    return AuditRecord(
        row.sequence, row.time, actor, Action(row.action), row.subject, tuple(row.members)
    )
