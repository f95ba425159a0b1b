"""The handover sheet as JSON."""

from __future__ import annotations

from typing import Any, Final

from service.advice.engine.documents import recommendation_document
from service.advice.handover.absence import LONGEST, USUAL
from service.advice.handover.care_plan import Task
from service.advice.handover.sheet import HandoverSheet, Limit, TankSheet
from service.api.resources.recommendations import AmountSchema, RecommendationSchema
from service.registry.fields.limits import NAME_LENGTH, NOTE_LENGTH
from service.registry.models import Absence
from service.schemas.base import Items, Nested, Schema
from service.schemas.fields import Choice, Name, Number, Text
from service.schemas.times import Day, Moment, TimeZone
from service.times import format_moment

FORMS: Final = ("events", "todos")
_LONG: Final = 2000


class AwaySchema(Schema):
    """From-to that a sheet covers, and who keeps an eye on the tanks meanwhile."""

    id = Text("Of the absence; null: the span was given.", allow_none=True, required=True)
    start = Moment(required=True)
    end = Moment(required=True)
    covers = Text(longest=NAME_LENGTH, required=True)
    note = Text(
        "The practitioner's words for all tanks.", longest=NOTE_LENGTH, lines=True, required=True
    )


class TaskSchema(Schema):
    """One thing to do on one day."""

    due = Moment("By when.", required=True)
    day = Day("In the tank's zone.", required=True)
    code = Text("Of the rule that asks for it; `look`: the daily look.", required=True)
    subject = Text("Tells two of one rule apart; may be empty.", required=True)
    title = Text("A short line with the amount.", required=True)
    action = Text("What to do.", longest=_LONG, required=True)
    amounts = Items(AmountSchema, required=True)
    cautions = Items(Text(longest=_LONG), required=True)


class LimitValueSchema(Schema):
    """The number in a limit."""

    value = Number(required=True)
    unit = Text("UCUM.", required=True)


class LimitSchema(Schema):
    """At what to act, and what to do then."""

    when = Text(longest=_LONG, required=True)
    do = Text(longest=_LONG, required=True)
    value = Nested(LimitValueSchema, "Null where there is none.", allow_none=True, required=True)


class TankSheetSchema(Schema):
    """One tank's page."""

    tank = Text(required=True)
    name = Text(required=True)
    time_zone = TimeZone("That its days are in.", required=True)
    state = Items(
        Text(longest=_LONG),
        "Three lines: the water now, what stands open, what lives in it and was last done.",
        required=True,
    )
    open = Items(RecommendationSchema, "What stands open, weightiest first.", required=True)
    tasks = Items(TaskSchema, "For every day, in order of time.", required=True)
    limits = Items(LimitSchema, "At what to act, and what to do then.", required=True)
    leave_alone = Items(Text(longest=_LONG), "What not to touch.", required=True)
    cautions = Items(Text(longest=_LONG), required=True)
    notes = Text(
        "The practitioner's words on this tank.", longest=NOTE_LENGTH, lines=True, required=True
    )


class HandoverSchema(Schema):
    """What a colleague needs to carry the tanks through an absence."""

    absence = Nested(AwaySchema, required=True)
    prepared = Moment("What happened later is not in it.", required=True)
    tanks = Items(TankSheetSchema, "By id.", required=True)


class HandoverOptionsSchema(Schema):
    """What the sheet covers."""

    start = Text(
        "A day, or a time (RFC 3339); a day is one of the first tank's zone. Default with `end`: "
        "now.",
        longest=40,
    )
    end = Text(
        f"A day, which is included, or a time; at most {LONGEST.days} days after the start. "
        f"Default: {USUAL.days} days after it.",
        longest=40,
    )
    absence = Name(
        "Id of an absence. Default without a span: the one that is or comes next; for a report the "
        "one that began last."
    )
    tank = Name("Only this tank.")


class HandoverFormOptionsSchema(HandoverOptionsSchema):
    """What the sheet covers, and what tasks are in its calendar."""

    form = Choice(
        "Of the calendar: `events`, which every calendar shows, or `todos`.",
        words=FORMS,
        load_default="events",
    )


def sheet_document(sheet: HandoverSheet) -> dict[str, Any]:
    """A whole sheet."""
    return {
        "absence": away_document(sheet.absence),
        "prepared": format_moment(sheet.prepared),
        "tanks": [_page(one) for one in sheet.tanks],
    }


def away_document(absence: Absence) -> dict[str, Any]:
    """The span that a sheet or a report is about."""
    return {
        "id": absence.id or None,
        "start": format_moment(absence.start),
        "end": format_moment(absence.end),
        "covers": absence.covers,
        "note": absence.note,
    }


def _page(page: TankSheet) -> dict[str, Any]:
    return {
        "tank": page.tank,
        "name": page.name,
        "time_zone": page.time_zone,
        "state": list(page.state),
        "open": [recommendation_document(one) for one in page.open],
        "tasks": [_task(one) for one in page.tasks],
        "limits": [_limit(one) for one in page.limits],
        "leave_alone": list(page.leave_alone),
        "cautions": list(page.cautions),
        "notes": page.notes,
    }


def _task(task: Task) -> dict[str, Any]:
    return {
        "due": format_moment(task.due),
        "day": task.day.isoformat(),
        "code": task.code,
        "subject": task.subject,
        "title": task.title,
        "action": task.action,
        "amounts": [AmountSchema().dump(amount) for amount in task.amounts],
        "cautions": list(task.cautions),
    }


def _limit(limit: Limit) -> dict[str, Any]:
    value = None if limit.value is None else {"value": limit.value, "unit": limit.unit}
    return {"when": limit.when, "do": limit.do, "value": value}
