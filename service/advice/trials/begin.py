"""Begins a trial: finds its change in the log, and keeps the plans before and after."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime, timedelta
from typing import Final

from service.advice.trials.keeping import publish
from service.advice.trials.tried import levers_of, plans_before
from service.derive.watched.values import watchable
from service.errors import LEFT_OUT, InvalidInputError
from service.registry.database.versions import Stored
from service.registry.fields.trial import MOST_AGO, USUAL_LENGTH
from service.registry.log.entry_text import entry_text
from service.registry.models.log import LogEntry, LogKind, oldest_first
from service.registry.models.tank import Tank
from service.registry.models.trials import Plans, Trial
from service.registry.registry import Registry

TRIED_KINDS: Final = (LogKind.ADJUSTMENT, LogKind.REPLANT)
"""Entries that are something to try: an adjusted plan, timer or valve, and other plants."""

LATELY: Final = timedelta(days=1)
"""So long after it the change is taken from the log without being named. Our choice."""


def recent_change(log: Sequence[LogEntry], now: datetime) -> tuple[LogEntry, ...]:
    """The entries of the newest change that may be tried: those of its minute, oldest first.

    Args:
        log: newest first.
    """
    tried = [one for one in log if one.kind in TRIED_KINDS and now - LATELY <= one.time <= now]
    if not tried:
        return ()
    newest = max(one.time for one in tried)
    return tuple(oldest_first(one for one in tried if newest - one.time <= timedelta(minutes=1)))


def begin_trial(
    registry: Registry,
    tank: Tank,
    *,
    question: str,
    watched: Sequence[str],
    now: datetime,
    look_again: datetime | None = None,
    length: timedelta | None = None,
    begun: datetime | None = None,
    entries: Sequence[str] | None = None,
    by: str = "",
) -> Stored[Trial]:
    """Begin a trial.

    Args:
        look_again, length: when it is judged; one of both, else two weeks after the change.
        begun: when the change was made; None: as its entries say, else now.
        entries: ids of the log entries of the change; None: the newest change of the last day.

    Raises:
        InvalidInputError: names every wrong field, its value and what is allowed.
        ConflictError: the tank has too many trials.
        NoSuchTankError: no such tank.
    """
    found = _entries(registry, tank, entries, now)
    check_watched(tank, watched)
    if begun is None:
        begun = min((one.time for one in found), default=now)
    if not now - MOST_AGO <= begun <= now:
        allowed = f"a time up to now, at most {MOST_AGO.days} days ago"
        raise InvalidInputError.of_field("begun", begun.isoformat(), allowed)
    ends = look_again or begun + (length or USUAL_LENGTH)
    if ends <= now:
        raise InvalidInputError.of_field("look_again", ends.isoformat(), "a time in the future")
    trial = Trial(
        id="",
        tank=tank.id,
        question=" ".join(question.split()),
        begun=begun,
        look_again=ends,
        watched=tuple(dict.fromkeys(watched)),
        entries=tuple(one.id for one in found),
        by=by.strip(),
        created=now,
    )
    stored = registry.add_trial(with_change(trial, tank, found))
    publish(registry, stored.value, "begun", now)
    return stored


def with_change(trial: Trial, tank: Tank, entries: Sequence[LogEntry]) -> Trial:
    """The trial with what its entries say of the change."""
    before = plans_before(tank, entries)
    after = None if before is None else Plans.of(tank)
    return replace(
        trial,
        change="; ".join(entry_text(one) for one in entries),
        levers=tuple(levers_of(entries, before, after)),
        before=before,
        after=after,
    )


def _entries(
    registry: Registry, tank: Tank, ids: Sequence[str] | None, now: datetime
) -> tuple[LogEntry, ...]:
    if ids is None:
        taken = {id for one in registry.trials(tank.id) for id in one.entries}
        log = registry.log(tank.id, start=now - LATELY, kinds=TRIED_KINDS)
        return recent_change([one for one in log if one.id not in taken], now)
    if not ids:
        return ()
    log = registry.log(tank.id, start=now - MOST_AGO - LATELY)
    known = {one.id: one for one in log}
    for number, id in enumerate(ids):
        if id not in known:
            allowed = f"the id of a log entry of {tank.id} of the last {MOST_AGO.days} days"
            raise InvalidInputError.of_field(f"entries/{number}", id, allowed)
    return tuple(oldest_first(one for one in log if one.id in ids))


def check_watched(tank: Tank, watched: Sequence[str]) -> None:
    """Refuse what can't be watched of a tank.

    Raises:
        InvalidInputError: names it, and what can be.
    """
    names = [one.name for one in watchable(tank)]
    if not watched:
        raise InvalidInputError.of_field("watched", LEFT_OUT, ", ".join(names))
    for number, name in enumerate(watched):
        if name not in names:
            raise InvalidInputError.of_field(f"watched/{number}", name, ", ".join(names))
