"""Checks of tanks, log entries and absences: every wrong field is named before it is stored.

The fields are imported by what checks them: they and the species take 1.4 MB, and the ingester,
which stores none of these, does without.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime
from functools import cache
from typing import TYPE_CHECKING, Any, Final

from marshmallow import ValidationError

from service.errors import FieldFault, InvalidInputError, Refusal
from service.registry.log.calibration import read_calibration
from service.registry.models.absence import Absence
from service.registry.models.log import LogKind
from service.registry.models.tank import Tank
from service.schemas.base import Schema
from service.schemas.checks import check, check_member, messages_about, refuse
from service.schemas.free_json import check_free_json
from service.schemas.messages import faults_in
from service.times import to_us

if TYPE_CHECKING:
    from service.registry.fields.log.entry import LogData

_CHECKED_IN_FREE_DATA: Final = ("sensor", "kind", "level", "plant", "height_cm")
"""Members of data that are otherwise free."""


def check_tank(tank: Tank) -> None:
    """Refuse a tank with a field that is not allowed.

    Raises:
        InvalidInputError: names every wrong field, its value and what is allowed.
    """
    from service.registry.fields.tank import TankSchema

    check(schema_of(TankSchema), tank)


def check_absences(absences: Sequence[Absence]) -> None:
    """Refuse a list of absences with a field that is not allowed.

    Raises:
        InvalidInputError: names every wrong field, its value and what is allowed.
    """
    from service.registry.fields.absence import AbsenceSchema

    found: dict[int, Any] = {}
    seen: set[str] = set()
    for number, absence in enumerate(absences):
        if messages := messages_about(schema_of(AbsenceSchema), absence):
            found[number] = messages
        elif absence.id in seen:
            found[number] = {"id": [Refusal(absence.id, "an id that no other absence has")]}
        seen.add(absence.id)
    refuse(found, under=("absences",))


def check_log(
    kind: LogKind,
    time: datetime,
    data: Mapping[str, Any],
    note: str = "",
    by: str = "",
    recorded: datetime | None = None,
    id: str | None = None,
) -> None:
    """Refuse a log entry with a field that is not allowed.

    Args:
        data: by the keys under which it is stored.

    Raises:
        InvalidInputError: names every wrong field, its value and what is allowed.
    """
    from service.registry.fields.log.entry import EntrySchema

    if kind not in set(LogKind):
        refuse({"kind": [Refusal(kind, ", ".join(LogKind))]})
    kind = LogKind(kind)
    found: dict[str, Any] = {}
    given = {"id": id, "time": time, "note": note, "by": by, "recorded": recorded}
    for name, value in given.items():
        if value is None and name in ("id", "recorded"):
            continue
        try:
            check_member(schema_of(EntrySchema).fields[name], value)
        except ValidationError as error:
            found[name] = error.messages
    if about_data := _messages_about_data(kind, data):
        found["data"] = about_data
    elif kind is LogKind.OBSERVATION and not data and "note" not in found and not note.strip():
        allowed = "what was seen, in the note or the data of an observation"
        found["note"] = [Refusal(note, allowed)]
    faults = faults_in(found)
    if kind is LogKind.CALIBRATION and "data" not in found:
        faults += _calibration_faults(data, time)
    if faults:
        raise InvalidInputError.of(faults)


def _messages_about_data(kind: LogKind, data: Mapping[str, Any]) -> dict[Any, Any]:
    from service.registry.fields.log.kinds import KINDS

    schema = KINDS[kind]
    further = {name: value for name, value in data.items() if name not in schema.stored}
    if kind in (LogKind.CALIBRATION, LogKind.OBSERVATION):
        return _messages_about_free_data(schema, data)
    found = messages_about(schema, data)
    known = ", ".join(schema.stored.values())
    for name, value in further.items():
        found[name] = [Refusal(value, f"no such key; those of {kind}: {known}")]
    return found


def _messages_about_free_data(schema: LogData, data: Mapping[str, Any]) -> dict[Any, Any]:
    """Of a calibration, which is read as a whole after this, and of an observation."""
    try:
        check_free_json(data)
    except ValidationError as error:
        messages = error.messages
        return messages if isinstance(messages, dict) else {"": messages}
    found: dict[Any, Any] = {}
    for key, name in schema.stored.items():
        if key in data and key in _CHECKED_IN_FREE_DATA:
            try:
                check_member(schema.fields[name], data[key])
            except ValidationError as error:
                found[name] = error.messages
    return found or schema.contradictions(data)


def _calibration_faults(data: Mapping[str, Any], time: datetime) -> Sequence[FieldFault]:
    """It must be one that the ingester can apply: else it would silently change nothing."""
    try:
        time_us = to_us(time) if time.tzinfo is not None else 0  # that is a fault already
        read_calibration(data, time_us)
    except InvalidInputError as error:
        return error.faults
    return ()


@cache
def schema_of(schema: type[Schema]) -> Schema:
    """The one object of a schema; making one takes longer than using it."""
    return schema()
