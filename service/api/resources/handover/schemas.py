"""The handover sheet as JSON."""

from __future__ import annotations

from typing import Any, Final

from service.advice.engine.documents import InstructionSchema, RecommendationSchema
from service.advice.handover.absence import LONGEST, USUAL
from service.registry.fields.limits import NAME_LENGTH, NOTE_LENGTH
from service.schemas.answers import AnswerSchema, Part
from service.schemas.base import Items, Nested, Schema
from service.schemas.fields import Choice, Name, Number, Text
from service.schemas.times import Day, Moment, TimeZone
from service.times import MOMENT_PATTERN

FORMS: Final = ("events", "todos")
_LONG: Final = 2000


class GivenId(Text):
    """An id; null in place of an empty one."""

    def _serialize(self, value: Any, attr: Any, obj: Any, **kwargs: Any) -> str | None:
        return value or None


class AwaySchema(AnswerSchema):
    """From-to that a sheet covers, and who looks after the tanks meanwhile."""

    id = GivenId("Of the absence; null: the span was given.", allow_none=True)
    start = Moment()
    end = Moment()
    covers = Text(longest=NAME_LENGTH)
    note = Text("The tank keeper's note on all tanks.", longest=NOTE_LENGTH, lines=True)
    contact = Text(
        "How the tank keeper can be reached meanwhile; empty: as each tank says.",
        longest=NAME_LENGTH,
    )


class TaskSchema(InstructionSchema):
    """One thing to do on one day."""

    due = Moment("By when.")
    day = Day("In the tank's zone.")
    code = Text("Of the rule that asks for it; `look`: the daily check.")
    subject = Text("Tells two of one rule apart; may be empty.")


class LimitSchema(AnswerSchema):
    """The number at which to act."""

    value = Number()
    unit = Text("UCUM.")


class EmergencySchema(InstructionSchema):
    """What to look for (the title), and what to do then (the action)."""

    limit = Part(
        LimitSchema,
        "The number in the title; null where there is none.",
        of={"value": "value", "unit": "unit"},
        allow_none=True,
    )


class TankSheetSchema(AnswerSchema):
    """One tank's page."""

    tank = Text()
    name = Text()
    time_zone = TimeZone("That its days are in.")
    state = Items(
        Text(longest=_LONG),
        "Three lines: the water now, what is open, what lives in it and was last done.",
    )
    open = Items(
        RecommendationSchema,
        "What is open and anyone may do, most urgent first; without what is among the tasks.",
    )
    tasks = Items(TaskSchema, "For every day, in order of time; anyone may do them.")
    waiting = Items(InstructionSchema, "What waits for the tank keeper.")
    emergencies = Items(EmergencySchema, "What to look for, and what to do then.")
    leave_alone = Items(Text(longest=_LONG), "What not to touch.")
    cautions = Items(Text(longest=_LONG), "Of everything on the sheet, each once.")
    contact = Text("How the tank keeper can be reached; may be empty.", longest=NAME_LENGTH)
    notes = Text("The tank keeper's note on this tank.", longest=NOTE_LENGTH, lines=True)


class HandoverSchema(AnswerSchema):
    """What a colleague needs to carry the tanks through an absence."""

    absence = Nested(AwaySchema)
    prepared = Moment("What happened later is not in it.")
    tanks = Items(TankSheetSchema, "By id.")


class DayOrTime(Text):
    """A day, or a time, as text: the zone that it is read in is that of a tank."""

    def openapi(self) -> dict[str, Any]:
        """A text of either format."""
        return super().openapi() | {
            "anyOf": [
                {"format": "date", "pattern": MOMENT_PATTERN},
                {"format": "date-time", "pattern": MOMENT_PATTERN},
            ]
        }


class HandoverOptionsSchema(Schema):
    """What the sheet covers."""

    start = DayOrTime(
        "A day, or a time (RFC 3339); whole days are each tank's own. Default with `end`: now.",
        longest=40,
    )
    end = DayOrTime(
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
