"""The ledger of recommendations, kept in the registry's database."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Sequence
from datetime import datetime, timedelta
from typing import Final

from sqlalchemy import delete, or_, select
from sqlalchemy.orm import Session

from service.advice.engine.events import news_of
from service.advice.engine.lifecycle import (
    MARKED_STATES,
    STANDING_STATES,
    LedgerChange,
    advanced,
    change_between,
    folded,
    lives,
    marked,
    standing_of,
    weightiest_first,
)
from service.advice.engine.recommendation import Finding, Recommendation, State
from service.advice.engine.rule import NOTHING_STANDS, Standing
from service.derive.models import TankView
from service.errors import ConflictError, InvalidInputError, NotFoundError
from service.registry.documents import from_document, to_document
from service.registry.registry import Registry
from service.registry.tables import RecommendationRow

MARKED_MEMORY: Final = timedelta(days=30)
"""A mark counts for so long after its cause was last seen. Our choice."""

KEPT: Final = timedelta(days=400)
"""Recommendations that no longer stand are kept for so long: a year to look back on."""


class Ledger:
    """Recommendations with their history; safe to use from several threads and processes."""

    def __init__(self, registry: Registry) -> None:
        """Use the database of a registry."""
        self._registry = registry

    def update(self, view: TankView, findings: Sequence[Finding]) -> LedgerChange:
        """Take in what was found of one tank; returns what changed."""
        return self.update_many([(view, findings)])[view.tank.id]

    def update_many(
        self, looked_at: Sequence[tuple[TankView, Sequence[Finding]]]
    ) -> dict[str, LedgerChange]:
        """Take in what was found of several tanks, in one transaction; changes by tank."""
        if not looked_at:
            return {}
        changes = {}
        ids = [view.tank.id for view, _ in looked_at]
        with self._registry.session() as session:
            rows: dict[str, dict[str, RecommendationRow]] = {tank: {} for tank in ids}
            for row in _living_rows(session, ids, min(view.now for view, _ in looked_at)):
                rows[row.tank][row.id] = row
            for view, findings in looked_at:
                mine = rows[view.tank.id]
                before = [_recommendation(row) for row in mine.values()]
                after = advanced(before, view.tank.id, findings, view.now, view.log)
                _write(session, mine, after)
                change = change_between(before, after)
                self._registry.add_events(news_of(before, change, view.now), session)
                changes[view.tank.id] = change
        return changes

    def standing(self, tanks: Collection[str], now: datetime) -> dict[str, Standing]:
        """What stands of each tank, for ``evaluate``."""
        with self._registry.session(writes=False) as session:
            rows = _living_rows(session, list(tanks), now)
            known = [_recommendation(row) for row in rows]
        by_tank: dict[str, list[Recommendation]] = {tank: [] for tank in tanks}
        for one in known:
            by_tank[one.tank].append(one)
        return {
            tank: standing_of(ones) if ones else NOTHING_STANDS for tank, ones in by_tank.items()
        }

    def list(
        self,
        tank: str | None = None,
        states: Collection[State] = STANDING_STATES,
        *,
        since: datetime | None = None,
        limit: int | None = None,
    ) -> list[Recommendation]:
        """Recommendations, weightiest first.

        Args:
            tank: of one tank only.
            states: in these states only.
            since: seen at this moment or later only.
            limit: at most so many, the last seen ones.
        """
        query = select(RecommendationRow).where(
            RecommendationRow.state.in_([State(one).value for one in states])
        )
        if tank is not None:
            query = query.where(RecommendationRow.tank == tank)
        if since is not None:
            query = query.where(RecommendationRow.last_seen >= since)
        query = query.order_by(RecommendationRow.last_seen.desc()).limit(limit)
        with self._registry.session(writes=False) as session:
            return weightiest_first(_recommendation(row) for row in session.scalars(query))

    def get(self, id: str) -> Recommendation:
        """One recommendation.

        Raises:
            NotFoundError: there is none of this id.
        """
        with self._registry.session(writes=False) as session:
            row = session.get(RecommendationRow, id)
            if row is None:
                raise _none(id)
            return _recommendation(row)

    def mark(
        self, id: str, state: State, until: datetime | None = None, *, now: datetime
    ) -> Recommendation:
        """Mark one as done, dismissed, snoozed until a moment, or open again.

        Raises:
            NotFoundError: there is none of this id.
            ConflictError: it no longer stands.
            InvalidInputError: a state that a person can't give, or a snooze without an end.
        """
        if state is State.CLEARED:
            allowed = "done, dismissed, snoozed or open; cleared comes by itself"
            raise InvalidInputError.of_field("state", state.value, allowed)
        if state is State.SNOOZED and (until is None or until <= now):
            raise InvalidInputError.of_field(
                "until", None if until is None else until.isoformat(), "a moment in the future"
            )
        with self._registry.session() as session:
            row = session.get(RecommendationRow, id)
            if row is None:
                raise _none(id)
            one = _recommendation(row)
            if not lives(one):
                raise ConflictError(f"recommendation {id!r} is {one.state.value} already")
            result = marked(one, state, now, until)
            rows = {mine.id: mine for mine in _living_rows(session, [one.tank], now)}
            others = [_recommendation(mine) for mine in rows.values() if mine.id != id]
            rows[id] = row
            after = folded([*others, result])
            _write(session, rows, after)
            before = [one, *others]
            self._registry.add_events(news_of(before, change_between(before, after), now), session)
        return next(each for each in after if each.id == id)

    def prune(self, now: datetime) -> int:
        """Forget what no longer stands and was last seen long ago; returns how many."""
        query = delete(RecommendationRow).where(
            RecommendationRow.state.not_in([one.value for one in STANDING_STATES]),
            RecommendationRow.last_seen < now - KEPT,
        )
        with self._registry.session() as session:
            return len(session.scalars(query.returning(RecommendationRow.id)).all())


def _living_rows(session: Session, tanks: list[str], now: datetime) -> list[RecommendationRow]:
    """Rows of what may still live, of some tanks."""
    query = select(RecommendationRow).where(
        or_(
            RecommendationRow.state.in_([one.value for one in STANDING_STATES]),
            RecommendationRow.state.in_([one.value for one in MARKED_STATES])
            & (RecommendationRow.last_seen >= now - MARKED_MEMORY),
        )
    )
    if len(tanks) <= 500:  # more than that is nearly all, and databases bound their parameters
        query = query.where(RecommendationRow.tank.in_(tanks))
    wanted = set(tanks)
    rows = [row for row in session.scalars(query) if row.tank in wanted]
    return [row for row in rows if lives(_recommendation(row))]


def _write(
    session: Session, rows: dict[str, RecommendationRow], ones: Iterable[Recommendation]
) -> None:
    """Write recommendations over their rows, or as new rows."""
    for one in ones:
        row = rows.get(one.id)
        if row is None:
            row = RecommendationRow(id=one.id)
            session.add(row)
        row.tank = one.tank
        row.code = one.finding.code
        row.subject = one.finding.subject
        row.severity = int(one.finding.severity)
        row.state = one.state.value
        row.first_seen = one.first_seen
        row.last_seen = one.last_seen
        row.snoozed_until = one.snoozed_until
        row.folded = one.folded
        row.finding = {"finding": to_document(one.finding), "extra": dict(one.extra)}


def _recommendation(row: RecommendationRow) -> Recommendation:
    return Recommendation(
        id=row.id,
        tank=row.tank,
        finding=from_document(row.finding["finding"], Finding),
        state=State(row.state),
        first_seen=row.first_seen,
        last_seen=row.last_seen,
        snoozed_until=row.snoozed_until,
        folded=row.folded,
        extra=row.finding["extra"],
    )


def _none(id: str) -> NotFoundError:
    return NotFoundError(f"recommendation is {id!r}; allowed: the id of a recommendation")
