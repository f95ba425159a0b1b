"""Registry of rejected messages: the latest ones as they were, and a count of all, by reason."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence

from sqlalchemy import delete, func, select

from service.registry.database.connection import Database
from service.registry.models.ingest import Rejection
from service.registry.tables.ingest import RejectionCountRow, RejectionRow

REJECTIONS_KEPT = 1000


class RejectionRepository(Database):
    """Rejected messages: the newest of them, and counts of all by reason."""

    def add_rejections(
        self, rejections: Sequence[Rejection], *, keep: int = REJECTIONS_KEPT
    ) -> None:
        """Add and count rejections; only the newest ``keep`` of all stay readable."""
        if not rejections:
            return
        counts = Counter(_storable(rejection.reason_code) for rejection in rejections)
        with self.session(writes="bookkeeping") as session:
            session.add_all(_row(rejection) for rejection in rejections[-keep:] if keep > 0)
            session.flush()
            newest = session.scalar(select(func.max(RejectionRow.id)))
            if newest is not None:
                session.execute(delete(RejectionRow).where(RejectionRow.id <= newest - keep))
            upsert = self._insert()(RejectionCountRow)
            session.execute(
                upsert.on_conflict_do_update(
                    index_elements=["reason_code"],
                    set_={"total": RejectionCountRow.total + upsert.excluded.total},
                ),
                # sorted, so that two writers lock the rows in the same order
                [{"reason_code": code, "total": n} for code, n in sorted(counts.items())],
            )

    def rejections(
        self, *, limit: int = 100, tank: str | None = None, before: int | None = None
    ) -> list[Rejection]:
        """The latest rejections, newest first.

        Args:
            limit: at most so many.
            tank: of this one only.
            before: only those with a smaller id.
        """
        query = select(RejectionRow).order_by(RejectionRow.id.desc()).limit(limit)
        if tank is not None:
            query = query.where(RejectionRow.tank == tank)
        if before is not None:
            query = query.where(RejectionRow.id < before)
        with self.session(writes=False) as session:
            rows = session.scalars(query).all()
        return [
            Rejection(
                time=row.time,
                topic=row.topic,
                payload_excerpt=row.payload_excerpt,
                reason_code=row.reason_code,
                detail=row.detail,
                source=row.source,
                tank=row.tank,
                id=row.id,
            )
            for row in rows
        ]

    def rejection_counts(self) -> dict[str, int]:
        """How many were ever rejected, by reason code."""
        query = select(RejectionCountRow).order_by(RejectionCountRow.reason_code)
        with self.session(writes=False) as session:
            return {row.reason_code: row.total for row in session.scalars(query)}


def _row(rejection: Rejection) -> RejectionRow:
    return RejectionRow(
        time=rejection.time,
        tank=_storable(rejection.tank),
        topic=_storable(rejection.topic),
        payload_excerpt=_storable(rejection.payload_excerpt),
        reason_code=_storable(rejection.reason_code),
        detail=_storable(rejection.detail),
        source=_storable(rejection.source),
    )


def _storable(text: str) -> str:
    """Text that any database takes: a rejected payload may hold NUL or half a character."""
    whole = text.encode("utf-8", "backslashreplace").decode("utf-8")
    return whole.replace("\x00", "\\x00")
