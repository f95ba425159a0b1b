"""Marking a recommendation as done: what was done, and how much, goes into the log.

So nobody does it twice, and the rules see it. What the log cannot know, such as the result of a
test, is asked for.
"""

from __future__ import annotations

from collections.abc import Mapping
from contextlib import suppress
from datetime import datetime
from typing import Any, Final

from service.advice.engine.history.ledger import Ledger
from service.advice.engine.recommendation import LogDraft, Recommendation
from service.errors import FieldFault, InvalidInputError, NotFoundError
from service.registry.checks import check_log
from service.registry.log.entry_text import entry_text
from service.registry.models.log import LogEntry, LogKind
from service.registry.models.recommendations import State
from service.registry.registry import Registry

_ID_START: Final = "done-"
_ID_LENGTH: Final = 64


def draft_of(one: Recommendation) -> LogDraft:
    """The entry that doing it leaves; without one of its own an observation that it was done."""
    return one.finding.log or LogDraft(LogKind.OBSERVATION.value, {"done": one.finding.title})


def mark_done(
    registry: Registry,
    id: str,
    now: datetime,
    data: Mapping[str, Any] | None = None,
    note: str = "",
    by: str = "",
) -> tuple[Recommendation, LogEntry | None]:
    """Mark a recommendation as done and log what was done.

    Args:
        data: what was done otherwise than recommended, or is missing; by the keys under which an
            entry stores it.

    Returns:
        The recommendation, and the new entry; None where it was done already.

    Raises:
        NotFoundError: there is none of this id.
        ConflictError: it no longer stands.
        InvalidInputError: a number is missing or not allowed; it names the field.
    """
    ledger = Ledger(registry)
    one = ledger.get(id)
    if one.state is State.DONE:
        return ledger.mark(id, State.DONE, now=now), None
    draft = draft_of(one)
    values = {**draft.data, **(data or {})}
    missing = [name for name, key in draft.asks.items() if key not in values]
    if missing:
        raise InvalidInputError.of([_fault(draft, name) for name in missing])
    kind, id_of_entry = LogKind(draft.kind), entry_id(one)
    check_log(kind, now, values, note, by, now, id_of_entry)
    after = ledger.mark(id, State.DONE, now=now)
    entry = registry.add_log(one.tank, kind, None, values, note, by, now, id=id_of_entry)
    return after, entry


def take_back(registry: Registry, id: str, now: datetime) -> Recommendation:
    """Open a recommendation again; the entry that marking it as done left is deleted.

    Raises:
        NotFoundError, ConflictError: as ``Ledger.mark``.
    """
    one = Ledger(registry).mark(id, State.OPEN, now=now)
    with suppress(NotFoundError):  # it was dismissed or snoozed, or the entry was deleted
        registry.delete_log(entry_id(one), tank=one.tank)
    return one


def entry_id(one: Recommendation) -> str:
    """The id of the entry that marking it as done leaves."""
    return f"{_ID_START}{one.id}"[-_ID_LENGTH:]


def logged_words(entry: LogEntry | None) -> str:
    """What was logged, for a person: ``; logged: Water change, 50 %``."""
    if entry is None or entry.kind is LogKind.OBSERVATION:
        return ""
    return f"; logged: {entry_text(entry)}"


def _fault(draft: LogDraft, name: str) -> FieldFault:
    detail = f"data.{name} is missing; allowed: what was found, for the log entry {draft.kind}"
    return FieldFault(f"/data/{name}", detail)
