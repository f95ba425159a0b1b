"""Registry of recommendations: values in and out, SQL inside."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import (
    ColumnElement,
    delete,
    false,
    func,
    insert,
    literal,
    or_,
    select,
    tuple_,
    update,
)
from sqlalchemy.orm import Session

from service.errors import NotFoundError
from service.registry.database.connection import Database
from service.registry.models.recommendations import (
    ACTIVE_STATES,
    MARKED_STATES,
    State,
    StoredRecommendation,
    Urgency,
)
from service.registry.tables.advice import RecommendationRow
from service.registry.tables.base import UtcTime

MOST_NAMED = 500
"""Tanks that a query names; more is nearly all of them, and databases bound their parameters."""


@dataclass(frozen=True, slots=True)
class OpenTanks:
    """Tanks with something to do.

    Attributes:
        count: how many there are.
        first: ids of some of them, the highest severity first, then by id.
    """

    count: int
    first: tuple[str, ...]


class RecommendationRepository(Database):
    """Recommendations with their history, stored until they are pruned."""

    def recommendations(
        self,
        *,
        tanks: Collection[str] | None = None,
        states: Collection[State] = ACTIVE_STATES,
        since: datetime | None = None,
        limit: int | None = None,
    ) -> list[StoredRecommendation]:
        """Recommendations, the last seen first.

        Args:
            tanks: of these only, a few hundred at most.
            states: in these states only.
            since: seen at this moment or later only.
            limit: at most so many.
        """
        query = select(RecommendationRow).where(*_wanted(tanks, states, since))
        query = query.order_by(RecommendationRow.last_seen.desc()).limit(limit)
        with self.session(writes=False) as session:
            return [_stored(row) for row in session.scalars(query)]

    def most_urgent(
        self,
        *,
        tanks: Collection[str] | None = None,
        states: Collection[State] = ACTIVE_STATES,
        since: datetime | None = None,
        after: Urgency | None = None,
        limit: int,
    ) -> list[StoredRecommendation]:
        """Recommendations, most urgent first; parameters as ``recommendations``.

        Those that differ in their id alone come as the database sorts text.

        Args:
            after: only what comes after this place, whatever is there now.
        """
        row = RecommendationRow
        wanted = _wanted(tanks, states, since)
        if after is not None:
            wanted.append(_is_after(after))
        order = (row.severity.desc(), row.due.is_(None), row.due, row.first_seen, row.id)
        chosen = select(row.id).where(*wanted).order_by(*order).limit(limit)
        with self.session(writes=False) as session:
            found = session.scalars(select(row).where(row.id.in_(chosen)).order_by(*order))
            return list(map(_stored, found))

    def tanks_with_open(self, most: int) -> OpenTanks:
        """Tanks with open recommendations.

        Args:
            most: name at most so many.
        """
        worst = func.max(RecommendationRow.severity)
        query = (
            select(RecommendationRow.tank, func.count().over())
            .where(RecommendationRow.state == State.OPEN.value)
            .group_by(RecommendationRow.tank)
            .order_by(worst.desc(), RecommendationRow.tank)
            .limit(most)
        )
        with self.session(writes=False) as session:
            found = session.execute(query).all()
        return OpenTanks(found[0][1] if found else 0, tuple(tank for tank, _ in found))

    def recommendation(self, id: str, session: Session | None = None) -> StoredRecommendation:
        """One recommendation.

        Args:
            session: a transaction of the caller to read in.

        Raises:
            NotFoundError: there is none of this id.
        """
        if session is None:
            with self.session(writes=False) as own:
                return self.recommendation(id, own)
        row = session.get(RecommendationRow, id, populate_existing=True)
        if row is None:
            raise NotFoundError(f"recommendation is {id!r}; allowed: the id of a recommendation")
        return _stored(row)

    def recent_recommendations(
        self,
        tanks: Collection[str],
        since: datetime,
        session: Session | None = None,
        *,
        cleared_since: datetime | None = None,
    ) -> list[StoredRecommendation]:
        """Of some tanks, what still stands, and what was marked and last seen since a moment.

        Args:
            cleared_since: also what cleared, if it was last seen since then.
            session: a transaction of the caller that is going to write them: on PostgreSQL their
                rows are locked until it ends; SQLite has one writer anyway.
        """
        if session is None:
            with self.session(writes=False) as own:
                return self._recent(tanks, since, cleared_since, own, lock=False)
        return self._recent(tanks, since, cleared_since, session, lock=True)

    def put_recommendations(
        self,
        ones: Sequence[StoredRecommendation],
        known: Mapping[str, StoredRecommendation],
        session: Session,
    ) -> None:
        """Store recommendations: new ones, and the columns in which others changed.

        Args:
            known: those that were read in this transaction, by id; the others are new.
        """
        new = [_values(one) for one in ones if one.id not in known]
        changed = [_changes(known[one.id], one) for one in ones if one.id in known]
        for columns in sorted({tuple(one) for one in changed if len(one) > 1}):
            alike = [one for one in changed if tuple(one) == columns]
            session.execute(update(RecommendationRow), alike)
        if new:
            session.execute(insert(RecommendationRow), new)

    def prune_recommendations(self, before: datetime) -> int:
        """Delete those that no longer stand and were last seen earlier; returns how many."""
        query = delete(RecommendationRow).where(
            RecommendationRow.state.not_in([one.value for one in ACTIVE_STATES]),
            RecommendationRow.last_seen < before,
        )
        with self.session(writes="bookkeeping") as session:
            return len(session.scalars(query.returning(RecommendationRow.id)).all())

    def _recent(
        self,
        tanks: Collection[str],
        since: datetime,
        cleared_since: datetime | None,
        session: Session,
        *,
        lock: bool,
    ) -> list[StoredRecommendation]:
        query = select(RecommendationRow).where(
            or_(
                RecommendationRow.state.in_([one.value for one in ACTIVE_STATES]),
                RecommendationRow.state.in_([one.value for one in MARKED_STATES])
                & (RecommendationRow.last_seen >= since),
                false()
                if cleared_since is None
                else (RecommendationRow.state == State.CLEARED.value)
                & (RecommendationRow.last_seen >= cleared_since),
            )
        )
        wanted = set(tanks)
        if len(wanted) <= MOST_NAMED:
            query = query.where(RecommendationRow.tank.in_(wanted))
        if lock:  # in one order everywhere, so that two transactions never wait for each other
            query = query.order_by(RecommendationRow.id).with_for_update()
            query = query.execution_options(populate_existing=True)
        return [_stored(row) for row in session.scalars(query) if row.tank in wanted]


def _wanted(
    tanks: Collection[str] | None, states: Collection[State], since: datetime | None
) -> list[ColumnElement[bool]]:
    """Conditions that a row has to meet."""
    wanted: list[ColumnElement[bool]] = [RecommendationRow.state.in_([one.value for one in states])]
    if tanks is not None:
        wanted.append(RecommendationRow.tank.in_(tanks))
    if since is not None:
        wanted.append(RecommendationRow.last_seen >= since)
    return wanted


def _is_after(place: Urgency) -> ColumnElement[bool]:
    """Whether a row comes after a place, in the order of ``Urgency.rank``."""
    row = RecommendationRow
    younger = tuple_(row.first_seen, row.id) > tuple_(
        literal(place.first_seen, UtcTime()), literal(place.id)
    )
    later: ColumnElement[bool] = row.due.is_(None) & younger
    if place.due is not None:
        later = or_(row.due.is_(None), row.due > place.due, (row.due == place.due) & younger)
    return or_(row.severity < place.severity, (row.severity == place.severity) & later)


def _stored(row: RecommendationRow) -> StoredRecommendation:
    return StoredRecommendation(
        id=row.id,
        tank=row.tank,
        code=row.code,
        subject=row.subject,
        severity=row.severity,
        state=State(row.state),
        first_seen=row.first_seen,
        last_seen=row.last_seen,
        snoozed_until=row.snoozed_until,
        folded=row.folded,
        finding=row.finding,
        due=row.due,
    )


def _values(one: StoredRecommendation) -> dict[str, Any]:
    return {
        "id": one.id,
        "tank": one.tank,
        "code": one.code,
        "subject": one.subject,
        "severity": one.severity,
        "state": one.state.value,
        "first_seen": one.first_seen,
        "last_seen": one.last_seen,
        "snoozed_until": one.snoozed_until,
        "folded": one.folded,
        "finding": dict(one.finding),
        "due": one.due,
    }


def _changes(before: StoredRecommendation, after: StoredRecommendation) -> dict[str, Any]:
    """The id, and the columns that differ."""
    old, new = _values(before), _values(after)
    return {name: value for name, value in new.items() if name == "id" or value != old[name]}
