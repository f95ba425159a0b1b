"""The ledger of recommendations: their history, stored in the registry."""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import replace
from datetime import datetime, timedelta
from typing import Final

from service.advice.engine.history.change_events import LedgerChange, change_between, log_events
from service.advice.engine.history.lifecycle import (
    FLAP_MEMORY,
    advance,
    folded,
    key_of,
    lasts,
    marked,
    may_last,
)
from service.advice.engine.history.refreshing import LatestFigures
from service.advice.engine.history.rows import recommendation_of, stored_of
from service.advice.engine.recommendation import Finding, Recommendation, most_urgent_first
from service.advice.engine.rule import NONE_ACTIVE, ActiveConditions
from service.derive.models.tank_view import TankView
from service.errors import LEFT_OUT, ConflictError, InvalidInputError
from service.registry.audit import Action, AuditedWrite
from service.registry.database.versions import ANY, Precondition
from service.registry.models.recommendations import (
    ACTIVE_STATES,
    State,
    StoredRecommendation,
    Urgency,
)
from service.registry.registry import Registry

MARKED_MEMORY: Final = timedelta(days=30)
"""A mark counts for so long after its cause was last seen. Our choice."""

STORED_FOR: Final = timedelta(days=400)
"""Recommendations that no longer stand are stored for so long: a year to look back on."""


_MARKING: Final = {
    State.DONE: Action.RECOMMENDATION_DONE,
    State.DISMISSED: Action.RECOMMENDATION_DISMISSED,
    State.SNOOZED: Action.RECOMMENDATION_SNOOZED,
    State.OPEN: Action.RECOMMENDATION_REOPENED,
}


class Ledger:
    """Recommendations with their history; safe to use from several threads and processes."""

    def __init__(self, registry: Registry) -> None:
        """Use the database of a registry."""
        self._registry = registry
        self._latest = LatestFigures() if registry.is_file else LatestFigures(timedelta())

    def update(self, view: TankView, findings: Sequence[Finding]) -> LedgerChange:
        """Take in what was found of one tank, which is there; returns what changed."""
        return self.update_many([(view, findings)])[view.tank.id]

    def update_many(
        self, evaluated: Sequence[tuple[TankView, Sequence[Finding]]]
    ) -> dict[str, LedgerChange]:
        """Take in what was found of several tanks, in one transaction; changes by tank.

        A tank that was deleted since it was evaluated is left out.
        """
        if not evaluated:
            return {}

        def advanced(
            was: Sequence[Recommendation], cleared: Sequence[Recommendation], tank: str
        ) -> list[Recommendation]:
            view, findings = by_tank[tank]
            return advance(was, tank, findings, view.now, view.log, cleared)

        by_tank = {view.tank.id: (view, findings) for view, findings in evaluated}
        moments = {view.tank.id: view.now for view, _ in evaluated}
        return self._take_in(moments, advanced)

    def note(self, tanks: Collection[str], finding: Finding, now: datetime) -> None:
        """Take in what was found of tanks that cannot be evaluated; all else stays as it is."""

        def noted(
            was: Sequence[Recommendation], cleared: Sequence[Recommendation], tank: str
        ) -> list[Recommendation]:
            same = [one for one in was if key_of(one) == (finding.code, finding.subject)]
            others = [one for one in was if one not in same]
            return folded([*others, *advance(same, tank, [finding], now, (), cleared)])

        if tanks:
            self._take_in(dict.fromkeys(tanks, now), noted)

    def _take_in(
        self,
        moments: Mapping[str, datetime],
        advanced: Callable[
            [Sequence[Recommendation], Sequence[Recommendation], str], list[Recommendation]
        ],
    ) -> dict[str, LedgerChange]:
        """Replace what stands of tanks by what becomes of it, in one transaction.

        Args:
            moments: of the evaluation of each tank.
            advanced: what becomes of what stands of a tank, beside what cleared of late.
        """
        changes: dict[str, LedgerChange] = {}
        since = min(moments.values()) - MARKED_MEMORY
        known: dict[str, list[Recommendation]] = {tank: [] for tank in moments}
        with self._registry.session(writes="bookkeeping") as session:
            recent = self._registry.recent_recommendations(
                known, since, session, cleared_since=since + MARKED_MEMORY - FLAP_MEMORY
            )
            cleared: dict[str, list[Recommendation]] = {}
            rows = {row.id: row for row in recent}
            stored = {row.id: recommendation_of(row) for row in recent}
            for one in (self._latest.of(row, stored[row.id]) for row in recent):
                if may_last(one):
                    known[one.tank].append(one)
                elif one.state is State.CLEARED:
                    cleared.setdefault(one.tank, []).append(one)
            present = self._registry.lock_tanks(known, session)
            for tank in moments:
                if tank in present:
                    was = known[tank]
                    after = advanced(was, cleared.get(tank, ()), tank)
                    changes[tank] = change_between(was, after)
            changed = [
                stored_of(one)
                for change in changes.values()
                for one in change.after
                if one != stored.get(one.id) and not self._may_wait(one, rows, stored)
            ]
            self._registry.put_recommendations(changed, rows, session)
            for tank, change in changes.items():
                self._registry.add_events(log_events(change, moments[tank]), session)
        return changes

    def _may_wait(
        self,
        one: Recommendation,
        rows: Mapping[str, StoredRecommendation],
        stored: Mapping[str, Recommendation],
    ) -> bool:
        """Whether one is stored already, all but its figures; they are known from now on."""
        row = rows.get(one.id)
        return row is not None and self._latest.wait(row, stored[one.id], one)

    def forget(self, tank: str) -> None:
        """A tank is no longer evaluated by this process."""
        self._latest.forget(tank)

    def active(self, tanks: Collection[str], now: datetime) -> dict[str, ActiveConditions]:
        """The active conditions of each tank, for ``evaluate``."""
        by_tank: dict[str, list[tuple[str, str]]] = {tank: [] for tank in tanks}
        # From the rows themselves: to make whole findings of them takes most of the time.
        for one in self._registry.recent_recommendations(tanks, now - MARKED_MEMORY):
            if lasts(one.state, one.finding["extra"]):
                by_tank[one.tank].append((one.code, one.subject))
        return {tank: frozenset(ones) if ones else NONE_ACTIVE for tank, ones in by_tank.items()}

    def list(
        self,
        tank: str | None = None,
        states: Collection[State] = ACTIVE_STATES,
        *,
        since: datetime | None = None,
        limit: int | None = None,
    ) -> list[Recommendation]:
        """Recommendations, most urgent first.

        Args:
            tank: of one tank only.
            states: in these states only.
            since: seen at this moment or later only.
            limit: at most so many, the last seen ones.
        """
        tanks = None if tank is None else (tank,)
        found = self._registry.recommendations(tanks=tanks, states=states, since=since, limit=limit)
        return most_urgent_first(map(recommendation_of, found))

    def page(
        self,
        tank: str | None = None,
        states: Collection[State] = ACTIVE_STATES,
        *,
        since: datetime | None = None,
        after: Urgency | None = None,
        limit: int,
    ) -> Sequence[Recommendation]:
        """A part of ``list``.

        Args:
            after: only what comes after this place, whatever is there now.
        """
        tanks = None if tank is None else (tank,)
        found = self._registry.most_urgent(
            tanks=tanks, states=states, since=since, after=after, limit=limit
        )
        return list(map(recommendation_of, found))

    def of_tanks(self, tanks: Collection[str]) -> dict[str, Sequence[Recommendation]]:
        """What is open or snoozed of each of a few hundred tanks, most urgent first."""
        found = self._registry.recommendations(tanks=tanks)
        by_tank: dict[str, list[Recommendation]] = {tank: [] for tank in tanks}
        for one in map(recommendation_of, found):
            by_tank[one.tank].append(one)
        return {tank: most_urgent_first(ones) for tank, ones in by_tank.items()}

    def get(self, id: str) -> Recommendation:
        """One recommendation.

        Raises:
            NotFoundError: there is none of this id.
        """
        return recommendation_of(self._registry.recommendation(id))

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
                "until", LEFT_OUT if until is None else until.isoformat(), "a moment in the future"
            )
        write = AuditedWrite(_MARKING[state], f"recommendations/{id}")
        with self._registry.session(writes=write) as session:
            tank = self._registry.recommendation(id, session).tank
            write.subject = f"tanks/{tank}/recommendations/{id}"
            recent = self._registry.recent_recommendations([tank], now - MARKED_MEMORY, session)
            rows = {each.id: each for each in recent}
            rows[id] = self._registry.recommendation(id, session)
            one = recommendation_of(rows[id])
            if not may_last(one):
                raise ConflictError(f"recommendation {id!r} is {one.state.value} already")
            before = [other for other in _lasting(recent) if other.id != id]
            *others, after = folded([*before, marked(one, state, now, until)])
            # What it changes in others is an event of the next evaluation, for all to see.
            change = change_between([one], [after])
            changed = _changed([one, *before], [*others, *change.after])
            self._registry.put_recommendations(changed, rows, session)
            self._registry.add_events(log_events(change, now), session)
        return change.after[0]

    def delete_tank(
        self,
        tank: str,
        now: datetime,
        *,
        only_if: Precondition = ANY,
        with_readings: bool = False,
    ) -> None:
        """Delete a tank from the registry; what stood of it is cleared by events, all or nothing.

        Args:
            with_readings: for the record only; the caller deletes the readings in the store.

        Raises:
            NoSuchTankError: there is none of this id.
            PreconditionFailedError: another version is stored.
        """
        members = ("readings",) if with_readings else ()
        write = AuditedWrite(Action.TANK_DELETED, f"tanks/{tank}", members)
        with self._registry.session(writes=write) as session:
            recent = self._registry.recent_recommendations([tank], now, session)
            was = [one for one in map(recommendation_of, recent) if one.state in ACTIVE_STATES]
            gone = [replace(one, state=State.CLEARED, snoozed_until=None) for one in was]
            self._registry.add_events(log_events(change_between(was, gone), now), session)
            self._registry.delete_tank(tank, only_if=only_if, session=session)

    def prune(self, now: datetime) -> int:
        """Delete what no longer stands and was last seen long ago; returns how many."""
        return self._registry.prune_recommendations(now - STORED_FOR)


def _lasting(stored: Sequence[StoredRecommendation]) -> Sequence[Recommendation]:
    return [one for one in map(recommendation_of, stored) if may_last(one)]


def _changed(
    before: Sequence[Recommendation], after: Sequence[Recommendation]
) -> Sequence[StoredRecommendation]:
    """Those to store: new, or not as they were. A write empties the registry's cache."""
    was = {one.id: one for one in before}
    return [stored_of(one) for one in after if one != was.get(one.id)]
