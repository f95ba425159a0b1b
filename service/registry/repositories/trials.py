"""Registry of trials: those of a tank go with it."""

from __future__ import annotations

from collections.abc import Callable, Collection, Sequence
from dataclasses import replace
from datetime import datetime
from typing import Any, Final

from sqlalchemy import func, select

from service.errors import ConflictError, NotFoundError
from service.registry.audit import Action, AuditedWrite
from service.registry.database.connection import Database
from service.registry.database.row_ids import new_id
from service.registry.database.versions import (
    ANY,
    Precondition,
    Stored,
    delete_row,
    new_version,
    update_row,
)
from service.registry.documents import from_document, to_document
from service.registry.fields.trial import MOST_RUNNING, MOST_TRIALS, TrialSchema
from service.registry.models.trial_state import TrialState
from service.registry.models.trials import Trial
from service.registry.repositories.tanks import lock_tank, no_tank
from service.registry.tables.advice import TrialRow
from service.registry.tables.tanks import TankRow
from service.schemas.checks import check

_ACTIONS: Final = {
    TrialState.RUNNING: Action.TRIAL_CHANGED,
    TrialState.JUDGED: Action.TRIAL_JUDGED,
    TrialState.ENDED: Action.TRIAL_ENDED,
    TrialState.BROKEN_OFF: Action.TRIAL_BROKEN_OFF,
}


_OVER: Final = tuple(one for one in TrialState if one is not TrialState.RUNNING)


class TrialRepository(Database):
    """Trials, stored until somebody deletes them."""

    def add_trial(self, trial: Trial) -> Stored[Trial]:
        """Begin a trial; its id is given here.

        Raises:
            InvalidInputError: a field is not allowed.
            NoSuchTankError: no such tank.
            ConflictError: the tank has too many.
        """
        check(TrialSchema(), trial)
        made, version = replace(trial, id=new_id()), new_version()
        with self.session(writes=AuditedWrite(Action.TRIAL_BEGUN, _subject(made))) as session:
            lock_tank(session, made.tank)
            count = select(func.count()).select_from(TrialRow).filter_by(tank=made.tank)
            running = session.scalar(count.filter_by(state=TrialState.RUNNING.value)) or 0
            if running >= MOST_RUNNING or (session.scalar(count) or 0) >= MOST_TRIALS:
                raise ConflictError(
                    f"{running} trials of this tank are running; allowed: {MOST_RUNNING}, and "
                    f"{MOST_TRIALS} with those that are over; end or delete one first"
                )
            session.add(TrialRow(id=made.id, version=version, **_values(made)))
        return Stored(made, version, created=True)

    def trials(
        self,
        tank: str | None = None,
        states: Collection[TrialState] = tuple(TrialState),
        *,
        after: tuple[datetime, str] | None = None,
        limit: int | None = None,
    ) -> list[Trial]:
        """Trials, the last begun first.

        Args:
            tank: of this one only.
            states: in these states only.
            after: only what comes after a trial begun then and of this id, there or not.
            limit: at most so many.

        Raises:
            NoSuchTankError: no such tank.
        """
        query = select(TrialRow).order_by(TrialRow.begun.desc(), TrialRow.id)
        query = query.where(TrialRow.state.in_([one.value for one in states]))
        if tank is not None:
            query = query.where(TrialRow.tank == tank)
        if after is not None:
            begun, id = after
            same = (TrialRow.begun == begun) & (TrialRow.id > id)
            query = query.where((TrialRow.begun < begun) | same)
        with self.session(writes=False) as session:
            found = [_trial(row) for row in session.scalars(query.limit(limit))]
            if tank is not None and not found and session.get(TankRow, tank) is None:
                raise no_tank(tank)
        return found

    def running_trials(self) -> Sequence[Trial]:
        """Those of all tanks that go on; cached, for those who ask often."""
        return self.cache.get("running-trials", lambda: self.trials(states=(TrialState.RUNNING,)))

    def trials_over(self, tank: str) -> Sequence[Trial]:
        """Those of a tank that are over, the last begun first; cached."""

        def ask() -> dict[str, list[Trial]]:
            found: dict[str, list[Trial]] = {}
            for one in self.trials(states=_OVER):
                found.setdefault(one.tank, []).append(one)
            return found

        return self.cache.get("trials-over", ask).get(tank, [])

    def stored_trial(self, tank: str, id: str) -> Stored[Trial]:
        """One trial of a tank with its version.

        Raises:
            NotFoundError: there is none of this id.
        """
        with self.session(writes=False) as session:
            row = session.get(TrialRow, id)
            if row is None or row.tank != tank:
                raise _no_trial(id, tank)
            return Stored(_trial(row), row.version)

    def change_trial(
        self,
        tank: str,
        id: str,
        change: Callable[[Trial], Trial],
        *,
        only_if: Precondition = ANY,
        bookkeeping: bool = False,
    ) -> Stored[Trial]:
        """Write what a function makes of a trial; nobody else changes it in between.

        Args:
            change: gets the trial as it is stored; what it raises is raised.
            bookkeeping: what the service notes by itself: nobody did it.

        Raises:
            InvalidInputError: a field is not allowed.
            NotFoundError: there is none of this id.
            PreconditionFailedError: another version is stored.
        """
        write = AuditedWrite(Action.TRIAL_CHANGED, f"tanks/{tank}/trials/{id}")
        with self.session(writes="bookkeeping" if bookkeeping else write) as session:
            row = session.get(TrialRow, id, with_for_update=True)
            if row is None or row.tank != tank:
                raise _no_trial(id, tank)
            before = _trial(row)
            after = change(before)
            check(TrialSchema(), after)
            write.action = _ACTIONS[after.state]
            version = update_row(session, TrialRow, {"id": id}, _values(after), only_if)
        return Stored(after, version)

    def delete_trial(self, tank: str, id: str, *, only_if: Precondition = ANY) -> None:
        """Delete a trial; the change itself stays, and so does its log entry.

        Raises:
            NotFoundError: there is none of this id.
            PreconditionFailedError: another version is stored.
        """
        write = AuditedWrite(Action.TRIAL_DELETED, f"tanks/{tank}/trials/{id}")
        with self.session(writes=write) as session:
            if not delete_row(session, TrialRow, {"id": id, "tank": tank}, only_if):
                raise _no_trial(id, tank)


def _subject(trial: Trial) -> str:
    return f"tanks/{trial.tank}/trials/{trial.id}"


def _values(trial: Trial) -> dict[str, Any]:
    return {
        "tank": trial.tank,
        "state": trial.state.value,
        "begun": trial.begun,
        "look_again": trial.look_again,
        "document": to_document(trial),
    }


def _trial(row: TrialRow) -> Trial:
    return from_document(row.document, Trial)


def _no_trial(id: str, tank: str) -> NotFoundError:
    return NotFoundError(f"trial is {id!r:.80}; allowed: the id of a trial of {tank}")
