"""Handover sheets, reports on return and sharing links, as typed values; names as in the JSON."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import date, datetime

from service.client.models import Amount, Picture, Quantity, Recommendation


@dataclass(frozen=True, slots=True)
class Absence:
    """An absence, or the span that a handover sheet covers: then ``id`` is None.

    Attributes:
        tanks: ids; empty: all.
    """

    id: str | None
    start: datetime
    end: datetime
    covers: str
    note: str
    contact: str
    tanks: list[str] = field(default_factory=list)


@dataclass(frozen=True, slots=True)
class Task:
    """One thing to do on one day of an absence."""

    due: datetime
    day: date
    code: str
    subject: str
    title: str
    action: str
    amounts: list[Amount]
    cautions: list[str]
    who: str


@dataclass(frozen=True, slots=True)
class Instruction:
    """What to do, and what to mind."""

    title: str
    action: str
    amounts: list[Amount]
    cautions: list[str]
    who: str
    due: datetime | None


@dataclass(frozen=True, slots=True)
class Emergency:
    """What to look for (the title), and what to do then (the action)."""

    title: str
    action: str
    amounts: list[Amount]
    cautions: list[str]
    who: str
    limit: Quantity | None


@dataclass(frozen=True, slots=True)
class TankSheet:
    """One tank's page of a handover sheet."""

    tank: str
    name: str
    time_zone: str
    state: list[str]
    open: list[Recommendation]
    tasks: list[Task]
    waiting: list[Instruction]
    emergencies: list[Emergency]
    leave_alone: list[str]
    cautions: list[str]
    contact: str
    notes: str


@dataclass(frozen=True, slots=True)
class Handover:
    """The handover sheet of an absence."""

    absence: Absence
    prepared: datetime
    tanks: list[TankSheet]


@dataclass(frozen=True, slots=True)
class Occurrence:
    """One line of a report on return: what happened or was done, and when."""

    time: datetime
    text: str


@dataclass(frozen=True, slots=True)
class TankReturn:
    """One tank's part of a report on return."""

    tank: str
    name: str
    time_zone: str
    happened: list[Occurrence]
    done: list[Occurrence]
    open: list[Recommendation]
    changed: list[str]
    pictures: list[Picture]
    tried: list[str]


@dataclass(frozen=True, slots=True)
class ReturnReport:
    """The report on return from an absence."""

    absence: Absence
    prepared: datetime
    tanks: list[TankReturn]


@dataclass(frozen=True, slots=True)
class SharingLink:
    """A link that shows one tank's handover sheet, and may take reports of what was done.

    ``secret`` and ``url`` are there when it is made, and never again.
    """

    id: str
    tank: str
    state: str
    start: datetime
    end: datetime
    created: datetime
    expires: datetime
    revoked: datetime | None
    last_used: datetime | None
    name: str
    may_report: bool
    secret: str | None = None
    url: str | None = None
