"""The form of an absence: days and times of the tanks in, an absence out."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime, time
from typing import Final
from zoneinfo import ZoneInfo

from werkzeug.datastructures import MultiDict

from service.advice.handover.absence import written_moment
from service.errors import FieldFault, InvalidInputError, LittoralError, Refusal
from service.pages.local_time import LocalTime
from service.pages.settings.questions import Question, question_of
from service.registry.fields.absence import AbsenceSchema
from service.registry.models.absence import Absence
from service.registry.models.tank import Tank
from service.schemas.fields import Field

_SCHEMA: Final = AbsenceSchema()
_TEXTS: Final = ("covers", "contact", "note")
MOMENTS: Final[Mapping[str, tuple[str, str, str]]] = {
    "start": ("First day away", "From, time", "empty: from the start of that day"),
    "end": ("Last day away", "Until, time", "empty: to the end of that day"),
}
"""Member -> words for its day, for its time, and what no time means."""


@dataclass(frozen=True, slots=True)
class AbsenceForm:
    """A form, for a new absence or one that is stored.

    Attributes:
        id: "" for a new one.
        shown: digest of what is stored.
        given: texts by the names of the inputs.
        chosen: ids of the tanks that it is about; empty: all.
        texts: questions of the texts.
        faults: name of an input -> what is wrong with it.
        others: what is wrong that belongs to no input.
    """

    id: str
    shown: str
    given: Mapping[str, str]
    chosen: Sequence[str]
    texts: Sequence[Question]
    faults: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    others: tuple[str, ...] = ()


def absence_form(
    absence: Absence | None,
    tanks: Sequence[Tank],
    *,
    sent: MultiDict[str, str] | None = None,
    error: LittoralError | None = None,
) -> AbsenceForm:
    """The form.

    Args:
        absence: that is stored; None for a new one.
        sent: what was sent and refused.
        error: why.
    """
    stored = {} if absence is None else _texts_of(absence, zone_of(absence.tanks, tanks))
    given = {**stored, **(sent.to_dict() if sent is not None else {})}
    chosen = sent.getlist("tanks") if sent is not None else absence.tanks if absence else ()
    faults: dict[str, tuple[str, ...]] = {}
    others = [error.detail] if error is not None and not error.faults else []
    for fault in error.faults if error else ():
        name = fault.pointer.lstrip("/?")
        if name in MOMENTS:
            faults[name] = (fault.renamed(fault.pointer, MOMENTS[name][0]).detail,)
        elif name in _TEXTS:
            label = getattr(_SCHEMA.fields[name], "label", "") or name.capitalize()
            faults[name] = (fault.renamed(fault.pointer, label).detail,)
        else:
            others.append(fault.detail)
    return AbsenceForm(
        "" if absence is None else absence.id,
        "" if absence is None else digest(absence),
        given,
        chosen,
        [_question(name, given.get(name, "")) for name in _TEXTS],
        faults,
        tuple(others),
    )


def absence_in(
    sent: MultiDict[str, str], tanks: Sequence[Tank], before: Absence | None = None
) -> Absence:
    """The absence that a form says.

    Args:
        before: as it is stored; a day and time that were left alone stay exactly.

    Raises:
        InvalidInputError: a day or time is none, or a tank is not there.
    """
    chosen = tuple(sent.getlist("tanks"))
    known = {tank.id for tank in tanks}
    faults = [
        FieldFault.of("/tanks", Refusal(one[:64], "the id of a registered tank"), "Tanks")
        for one in chosen
        if one not in known
    ]
    moments: dict[str, datetime] = {}
    shown = {} if before is None else _texts_of(before, zone_of(before.tanks, tanks))
    for name in MOMENTS:
        try:
            moments[name] = _moment(name, sent, zone_of(chosen, tanks), shown, before)
        except InvalidInputError as error:
            faults += error.faults
    if faults:
        raise InvalidInputError.of(faults)
    every = len(known) > 1 and set(chosen) == known
    texts = {name: sent.get(name, "").strip().replace("\r\n", "\n") for name in _TEXTS}
    return Absence(
        id="" if before is None else before.id,
        tanks=() if every else chosen,
        start=moments["start"],
        end=moments["end"],
        covers=texts["covers"],
        contact=texts["contact"],
        note=texts["note"],
    )


def zone_of(chosen: Sequence[str], tanks: Sequence[Tank]) -> str:
    """The time zone of an absence: of the first tank that it is about."""
    of_them = [tank for tank in tanks if not chosen or tank.id in chosen]
    return of_them[0].time_zone if of_them else "UTC"


def digest(absence: Absence) -> str:
    """What tells whether an absence is still as it was shown."""
    return hashlib.sha256(repr(absence).encode()).hexdigest()[:24]


def _moment(
    name: str,
    sent: Mapping[str, str],
    zone: str,
    shown: Mapping[str, str],
    before: Absence | None,
) -> datetime:
    day, clock = sent.get(name, "").strip(), sent.get(f"{name}_time", "").strip()
    if before is not None and (day, clock) == (shown[name], shown[f"{name}_time"]):
        stored: datetime = getattr(before, name)
        return stored
    if not day:
        allowed = "a day such as 2026-05-01"
        raise InvalidInputError.of([FieldFault.of(f"/{name}", Refusal(day, allowed), name)])
    try:
        return written_moment(
            name, f"{day}T{clock}" if clock else day, zone, whole_day=name == "end"
        )
    except InvalidInputError as error:
        raise InvalidInputError.of(
            [one.renamed(f"/{name}", MOMENTS[name][0]) for one in error.faults]
        ) from error


def _texts_of(absence: Absence, zone: str) -> dict[str, str]:
    local = LocalTime(zone, absence.start)
    start, end = (moment.astimezone(ZoneInfo(zone)) for moment in (absence.start, absence.end))
    whole = end.time() == time()
    return {
        "start": f"{start:%Y-%m-%d}",
        "start_time": "" if start.time() == time() else f"{start:%H:%M}",
        "end": local.date_field(absence.end, last=whole),
        "end_time": "" if whole else f"{end:%H:%M}",
        "covers": absence.covers,
        "contact": absence.contact,
        "note": absence.note,
    }


def _question(name: str, text: str) -> Question:
    kind = _SCHEMA.fields[name]
    assert isinstance(kind, Field)
    return question_of((name,), kind, text, lambda units: units[0], schema=_SCHEMA)
