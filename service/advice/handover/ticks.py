"""What a colleague can tick off a handover sheet: which log entry a tick leaves, and what it asks.

A tick says that one task of the sheet was done. It leaves the entry that the task names, with one
number where there is one to give: it stands filled in where the sheet says how much.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Final

from marshmallow import ValidationError

from service.advice.engine.history.done import draft_of, entry_id
from service.advice.engine.recommendation import LogDraft, Recommendation
from service.advice.handover.care_plan import Task
from service.errors import LEFT_OUT, FieldFault, InvalidInputError, Refusal
from service.registry.database.row_ids import new_id
from service.registry.fields.log.kinds import KINDS
from service.registry.log.volume import to_stored
from service.registry.models.log import LogKind
from service.registry.models.tank import Tank
from service.registry.volume import net_volume_l
from service.schemas.entry import label_of, units_of
from service.schemas.messages import error_of_messages
from service.schemas.quantities import Measure

NOTE: Final = "note"
"""What a report is called that belongs to no task: a note alone."""


@dataclass(frozen=True, slots=True)
class AskedNumber:
    """The one number that a tick asks for.

    Attributes:
        field: of the log entry, by its name in JSON.
        label: what it is, for people.
        unit: that it is asked in.
        value: what the sheet says; None: only who did it knows.
        most: no larger one makes sense; None: not known.
    """

    field: str
    label: str
    unit: str
    value: float | None = None
    most: float | None = None


@dataclass(frozen=True, slots=True)
class Tick:
    """One thing that can be reported.

    Attributes:
        task: names it within its tank; "" for a note, which may be given any number of times.
        title: for people.
        kind, data: of the log entry, as it is stored.
        number: what is asked.
        recommendation: id of the recommendation that it does; "" for a planned task.
        entry: id of the log entry; "" for a fresh one.
    """

    task: str
    title: str
    kind: str
    data: Mapping[str, Any]
    number: AskedNumber | None = None
    recommendation: str = ""
    entry: str = ""


A_NOTE: Final = Tick("", NOTE, LogKind.OBSERVATION.value, {})


def tick_of_task(task: Task, tank: Tank) -> Tick:
    """The tick of a planned task."""
    draft = task.log or LogDraft(LogKind.OBSERVATION.value, {"done": task.title})
    name = f"{task.day}/{task.code}/{task.subject}"
    return Tick(name, task.title, draft.kind, draft.data, asked_number(draft, tank))


def tick_of_recommendation(one: Recommendation, tank: Tank) -> Tick | None:
    """The tick of an open recommendation; None where its entry asks for more than a number."""
    draft = draft_of(one)
    number = asked_number(draft, tank)
    if draft.asks and number is None:
        return None
    name = f"recommendation/{one.id}"
    return Tick(
        name, one.finding.title, draft.kind, draft.data, number, one.id, entry=entry_id(one)
    )


def asked_number(draft: LogDraft, tank: Tank) -> AskedNumber | None:
    """The one number that an entry asks for, or has and may be other in truth."""
    kind = LogKind(draft.kind)
    for name in draft.asks:
        return _number(kind, name, None)
    net_l = net_volume_l(tank)
    if kind is LogKind.WATER_CHANGE:
        share = float(draft.data["fraction"])
        if net_l is not None:
            return _number(kind, "volume", share * net_l, net_l)
        return _number(kind, "fraction", 100 * share, 100.0)
    if kind is LogKind.DOSE:
        for name, key in (("volume", "ml"), ("mass", "g")):
            if key in draft.data:
                return _number(kind, name, float(draft.data[key]))
    return None


def entry_data(tick: Tick, number: Mapping[str, Any] | None, tank: Tank) -> dict[str, Any]:
    """The data of the log entry, as they are stored.

    Args:
        number: ``{"value": …, "unit": …}`` as given; None: as the sheet says.

    Raises:
        InvalidInputError: it is missing, not asked for or not allowed; at ``/number``.
    """
    asked = tick.number
    if number is None:
        if asked is not None and asked.value is None:
            allowed = f"{asked.label}, in {asked.unit}"
            raise error_of_messages({"number": [Refusal(LEFT_OUT, allowed)]})
        return dict(tick.data)
    if asked is None:
        raise error_of_messages({"number": [Refusal(dict(number), "this task without a number")]})
    kind = LogKind(tick.kind)
    schema = KINDS[kind]
    try:
        loaded = schema.load({asked.field: dict(number)}, partial=True)
    except ValidationError as error:
        messages = error.messages_dict
        raise error_of_messages({"number": messages.get(asked.field, messages)}) from error
    alternatives = () if schema.one_of is None else schema.one_of.names
    replaced = {schema.fields[name].attribute or name for name in alternatives}
    others = {key: value for key, value in tick.data.items() if key not in replaced}
    try:
        return to_stored(kind, {**others, **loaded}, tank)
    except InvalidInputError as error:
        raise InvalidInputError.of(
            [FieldFault.renamed(one, "/number", asked.label) for one in error.faults]
        ) from error


def entry_of(tick: Tick) -> str:
    """The id that the entry of a report gets."""
    return tick.entry or new_id()


def _number(
    kind: LogKind, name: str, value: float | None, most: float | None = None
) -> AskedNumber | None:
    """The number of one field; None where the field is no quantity."""
    field = KINDS[kind].fields[name]
    if not isinstance(field, Measure):
        return None
    return AskedNumber(name, label_of(name, field), units_of(field)[0], value, most)
