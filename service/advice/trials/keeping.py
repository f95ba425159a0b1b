"""Keeps the trials of all tanks: judged on their date, broken off, with what they hold."""

from __future__ import annotations

from collections.abc import Sequence
from contextlib import suppress
from dataclasses import replace
from datetime import datetime

from service.advice.engine.recommendation import Finding
from service.advice.trials.documents import trial_document
from service.advice.trials.holding import held_back
from service.advice.trials.judgement import Judgement, judge
from service.derive.models.tank_view import TankView
from service.errors import ConflictError, NotFoundError
from service.registry.database.versions import ANY, Precondition, Stored
from service.registry.documents import from_document, to_document
from service.registry.models.absence import Absence
from service.registry.models.events import NewEvent
from service.registry.models.tank import Tank
from service.registry.models.trial_state import TrialState
from service.registry.models.trials import Held, Trial
from service.registry.registry import Registry
from service.store.interface import Store


def judgement_of(trial: Trial) -> Judgement | None:
    """The judgement that is stored with a trial; None before there is one."""
    return None if trial.result is None else from_document(trial.result, Judgement)


def judged_now(
    trial: Trial, tank: Tank, registry: Registry, store: Store, now: datetime
) -> Judgement:
    """What is stored of a trial that is over; of one that is running what can be said so far."""
    stored = judgement_of(trial)
    if stored is not None and not trial.is_running:
        return stored
    return judge(trial, tank, registry, store, now)


def settle(
    registry: Registry,
    store: Store,
    trial: Trial,
    tank: Tank,
    state: TrialState,
    now: datetime,
    *,
    reason: str = "",
    only_if: Precondition = ANY,
) -> Stored[Trial]:
    """End a trial for good, with its judgement; programs that listen are told.

    Raises:
        ConflictError: it is over already.
        PreconditionFailedError: another version is stored.
        StoreUnavailableError, StoreRefusedError, NotFoundError: as ``judge``.
    """
    over = replace(trial, state=state, ended=min(now, trial.look_again), reason=reason, held=())
    result = to_document(replace(judge(over, tank, registry, store, now), final=True))

    def settled(present: Trial) -> Trial:
        require_running(present)
        return replace(
            present, state=state, ended=over.ended, reason=reason, held=(), result=result
        )

    stored = registry.change_trial(tank.id, trial.id, settled, only_if=only_if)
    publish(registry, stored.value, str(state), now)
    return stored


def publish(registry: Registry, trial: Trial, what: str, now: datetime) -> None:
    """Note for listeners and calendars what happened to a trial: ``begun``."""
    document = trial_document(trial, judgement_of(trial))
    registry.add_events([NewEvent(f"trial.{what}", trial.id, trial.tank, now, document)])


def trials_of_return(
    absence: Absence, tank: Tank, registry: Registry, store: Store, now: datetime
) -> list[str]:
    """The results of the trials of a tank that were running in an absence, in sentences."""
    end = min(now, absence.end)
    found = [
        one
        for one in registry.trials(tank.id)
        if one.begun <= end and (one.ended is None or one.ended >= absence.start)
    ]
    return [_in_a_line(one, judged_now(one, tank, registry, store, now)) for one in reversed(found)]


def _in_a_line(trial: Trial, judgement: Judgement) -> str:
    """One trial in a line: the question, how it stands, the answer."""
    words = {TrialState.RUNNING: "so far", TrialState.BROKEN_OFF: f"broken off, {trial.reason}"}
    state = words.get(trial.state, "")
    head = f"{trial.question} ({state})" if state else trial.question
    return f"{head}: {judgement.sentence}"


def require_running(trial: Trial) -> None:
    """Refuse to change a trial that is over.

    Raises:
        ConflictError: it is.
    """
    if not trial.is_running:
        raise ConflictError(f"trial {trial.id!r} is {trial.state} already")


def without_undoing(
    view: TankView,
    findings: Sequence[Finding],
    trials: Sequence[Trial],
    registry: Registry,
    store: Store,
) -> list[Finding]:
    """The findings without those that running trials hold; what is held is noted with the trial.

    Trials whose date has come are judged, those that an animal's limit speaks against are broken
    off.
    """
    own = [one for one in trials if one.tank == view.tank.id]
    due = [one for one in own if one.look_again <= view.now]
    for one in due:
        with suppress(NotFoundError, ConflictError):  # deleted or ended meanwhile
            settle(registry, store, one, view.tank, TrialState.JUDGED, view.now)
    running = [one for one in own if one not in due]
    held = held_back(findings, running, view)
    for one in running:
        with suppress(NotFoundError, ConflictError):
            if (cause := held.broken.get(one.id)) is not None:
                reason = f"an animal's limit comes first: {cause.title}"
                settle(
                    registry, store, one, view.tank, TrialState.BROKEN_OFF, view.now, reason=reason
                )
            else:
                _note_held(registry, one, held.waiting.get(one.id, []), view.now)
    return list(held.findings)


def _note_held(
    registry: Registry, trial: Trial, findings: Sequence[Finding], now: datetime
) -> None:
    """Store what a trial holds where that has changed."""
    before = {one.code: one for one in trial.held}
    held = {one.code: _held(one, before.get(one.code), now) for one in findings}
    if set(held) == set(before):
        return
    registry.change_trial(
        trial.tank,
        trial.id,
        lambda present: replace(present, held=tuple(held.values())),
        bookkeeping=True,
    )


def _held(one: Finding, before: Held | None, now: datetime) -> Held:
    return Held(one.code, one.title, now if before is None else before.since)
