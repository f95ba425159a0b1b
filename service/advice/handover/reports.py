"""Takes a colleague's report: one log entry under the name on the link, once."""

from __future__ import annotations

from collections.abc import Mapping
from contextlib import suppress
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import Any, Final

from service.advice.engine.history.ledger import Ledger
from service.advice.handover.ticks import Tick, entry_data, entry_of
from service.errors import LEFT_OUT, ConflictError, NotFoundError, Refusal
from service.registry.checks import check_log
from service.registry.log.observations import observed
from service.registry.models.access import ShareLink
from service.registry.models.log import LogEntry, LogKind
from service.registry.models.pictures import A_PICTURE, NO_PICTURES, SentPictures
from service.registry.models.recommendations import ACTIVE_STATES, State
from service.registry.registry import Registry
from service.registry.repositories.log.link_reports import LinkReport
from service.schemas.checks import refuse

_TITLE_LENGTH: Final = 80


@dataclass(frozen=True, slots=True)
class Report:
    """What a colleague reports.

    Attributes:
        tick: what was done.
        key: of the sender's choice; the same report again has the same one.
        age: so long ago it was done, by the sender's own clock: how fast or slow that is does not
            matter then.
        number: ``{"value": …, "unit": …}``; None: as the sheet says.
        observation: ``{"kind": …, "level": …}``, what was seen on a scale; belongs to no task.
        pictures: photographs that come with it.
    """

    tick: Tick
    key: str
    age: timedelta = timedelta(0)
    number: Mapping[str, Any] | None = field(default=None)
    note: str = ""
    observation: Mapping[str, Any] | None = field(default=None)
    pictures: SentPictures = NO_PICTURES


def take_report(
    registry: Registry, link: ShareLink, report: Report, now: datetime
) -> tuple[LinkReport, bool]:
    """Log what was reported with a link, and mark its recommendation as done.

    Returns:
        What is stored, and whether it is new.

    Raises:
        InvalidInputError: a field is not allowed, a number or a note is missing, or there are too
            many pictures.
        GoneError: the link has expired or was revoked.
        ConflictError: the task was reported before, or its recommendation is marked as done.
        TooManyReportsError: too many came with this link.
    """
    tick = report.tick
    stored, fresh = registry.link_report(link.id, report.key), False
    if stored is None:
        entry = _entry(registry, link, report, now)
        title = tick.title if tick.task else _title(entry)
        stored, fresh = registry.add_link_report(
            link.id, report.key, tick.task or None, title, entry, now, report.pictures
        )
    if tick.recommendation and stored.entry:
        _close(registry, tick.recommendation, now)
    return stored, fresh


def _entry(registry: Registry, link: ShareLink, report: Report, now: datetime) -> LogEntry:
    tick, note, seen = report.tick, report.note.strip(), report.observation
    if not tick.task and not note and seen is None and report.pictures.sources:
        note = A_PICTURE
    if tick.task and seen is not None:
        refuse({"observation": [Refusal(dict(seen), "a note or nothing beside a task")]})
    if not tick.task and not note and seen is None:
        refuse({"note": [Refusal(LEFT_OUT, "what you saw or did, in a few words")]})
    longest = now - link.created
    if not timedelta(0) <= report.age <= longest:
        allowed = "from 0 to the age of the link"
        refuse({"age": [Refusal(str(report.age), allowed)]})
    done, kind = now - report.age, LogKind(tick.kind)
    data = {**entry_data(tick, report.number, registry.tank(link.tank)), **(seen or {})}
    entry = LogEntry(entry_of(tick), link.tank, kind, done, data, note, link.name, now)
    check_log(kind, done, data, note, link.name, now, entry.id)
    return entry


def _title(entry: LogEntry) -> str:
    """Of what belongs to no task: what was seen on a scale, or the beginning of the note."""
    seen = observed(entry.data)
    line = " ".join(entry.note.split()) if seen is None else seen.text
    return line if len(line) <= _TITLE_LENGTH else f"{line[: _TITLE_LENGTH - 1]}…"


def _close(registry: Registry, id: str, now: datetime) -> None:
    """Mark a recommendation as done that is still active; what was done is in the log anyway."""
    ledger = Ledger(registry)
    with suppress(NotFoundError, ConflictError):  # it has cleared meanwhile
        if ledger.get(id).state in ACTIVE_STATES:
            ledger.mark(id, State.DONE, now=now)
