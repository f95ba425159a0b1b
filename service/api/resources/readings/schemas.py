"""The JSON of readings and sensors."""

from __future__ import annotations

from typing import Any, Final

from service.api.http.pagination import PageSchema
from service.quantities import QUANTITIES
from service.schemas.answers import AnswerSchema, Rows
from service.schemas.fields import Choice, Field, Number, Text, Whole, YesNo
from service.schemas.readings import CanonicalUnit, ReadingTime
from service.schemas.times import Moment, Span
from service.store import Flag

AGGREGATES: Final = ("mean", "min", "max", "first", "last", "sum", "count")
FLAG_WORDS: Final = tuple(str(flag.name).lower() for flag in Flag if flag)


def flag_words(flags: int) -> list[str]:
    """The doubts about a reading as the words of the API."""
    return [word for word in FLAG_WORDS if Flag[word.upper()] & flags]


class FlagsField(Field):
    """Doubts about a reading, as words."""

    json_schema: dict[str, Any] = {  # noqa: RUF012 - read only
        "type": "array",
        "items": {"type": "string", "enum": list(FLAG_WORDS)},
    }

    def _serialize(self, value: Any, attr: Any, obj: Any, **kwargs: Any) -> list[str]:
        return flag_words(int(value))


class ReadingsOptionsSchema(PageSchema):
    """Which readings, and how they are summed up."""

    quantity = Choice("Only of this quantity.", words=list(QUANTITIES))
    sensor = Text("Only of this sensor.", shortest=1, longest=64)
    every = Span("Sum up over spans of this length, aligned to 1970-01-01 UTC.")
    aggregate = Choice("How; default mean. Only with `every`.", words=AGGREGATES)
    flagged = YesNo("Also readings that are not believed. Not with `every`.", text=True)


class ReadingSchema(AnswerSchema):
    """One reading."""

    time = ReadingTime("When it was measured.", attribute="time_us")
    quantity = Choice(words=list(QUANTITIES))
    sensor = Text()
    value = Number()
    unit = CanonicalUnit("UCUM.")
    flags = FlagsField("Doubts; empty when there is none.")


class SpanReadingSchema(AnswerSchema):
    """The usable readings of one span, summed up."""

    time = ReadingTime("Start of the span.", attribute="time_us")
    quantity = Choice(words=list(QUANTITIES))
    sensor = Text()
    value = Number()
    unit = Text("UCUM; `1` for a count.")
    count = Whole("Usable readings in the span.", low=1, high=2**53)


class Null(Field):
    """Always null."""

    json_schema: dict[str, Any] = {"type": "null"}  # noqa: RUF012 - read only

    def __init__(self, doc: str = "") -> None:
        super().__init__(doc, dump_default=None)


class ReadingsSchema(AnswerSchema):
    """Readings one by one, oldest first."""

    tank = Text()
    start = Moment()
    end = Moment()
    every = Null()
    aggregate = Null()
    readings = Rows(ReadingSchema)
    next = Text(allow_none=True)


class SpanReadingsSchema(AnswerSchema):
    """Readings summed up over spans, oldest first."""

    tank = Text()
    start = Moment()
    end = Moment()
    every = Span()
    aggregate = Choice(words=AGGREGATES)
    readings = Rows(SpanReadingSchema)
    next = Text(allow_none=True)


#: Readings one by one, or spans of them, oldest first.
READINGS: Final[dict[str, Any]] = {
    "oneOf": [
        {"$ref": "#/components/schemas/Readings"},
        {"$ref": "#/components/schemas/SpanReadings"},
    ]
}


def register(spec: Any) -> None:
    """Add the schemas that are referred to by name to a document."""
    spec.components.schema("Readings", schema=ReadingsSchema)
    spec.components.schema("SpanReadings", schema=SpanReadingsSchema)
