"""Readings and the alkalinity that a derived value rests on, as members of answers."""

from __future__ import annotations

import math
from datetime import timedelta
from functools import lru_cache
from typing import Any, Final

from service.quantities import QUANTITIES
from service.schemas.answers import AnswerSchema, Part
from service.schemas.fields import Number, Text
from service.schemas.ranges import Estimated
from service.schemas.times import Moment
from service.times import EPOCH, format_moment, from_us
from service.units import convert

REASONS: Final = "Sentences: why unknown, suspect or stale, and what else to know."


class ReadingTime(Moment):
    """A time that is microseconds since 1970 UTC on the Python side."""

    def _serialize(self, value: Any, attr: Any, obj: Any, **kwargs: Any) -> str | None:
        return None if value is None else format_moment(from_us(value))


class UnixTime(Moment):
    """A time that is seconds since 1970 UTC on the Python side; infinity is written as null."""

    def _serialize(self, value: Any, attr: Any, obj: Any, **kwargs: Any) -> str | None:
        if value is None or math.isinf(value):
            return None
        return format_moment(EPOCH + timedelta(microseconds=round(value * 1e6)))


class CanonicalUnit(Text):
    """The UCUM code of the canonical unit of the value's ``quantity``."""

    def get_value(self, obj: Any, attr: str, accessor: Any = None, default: Any = None) -> Any:
        """The name of the quantity."""
        return obj.quantity

    def _serialize(self, value: Any, attr: Any, obj: Any, **kwargs: Any) -> str:
        return QUANTITIES[value].ucum


class InDkh(Number):
    """An alkalinity in dKH; on the Python side meq/L."""

    def _serialize(self, value: Any, attr: Any, obj: Any, **kwargs: Any) -> float:
        return _dkh(value)


class InputSchema(AnswerSchema):
    """A reading that a derived value rests on."""

    value = Number()
    unit = CanonicalUnit("UCUM.")
    time = ReadingTime("When it was measured.", attribute="time_us")
    sensor = Text()


class DisplaySchema(AnswerSchema):
    """The same in the unit of the trade."""

    value = InDkh()
    unit = Text(dump_default="dKH")


class KhInputSchema(AnswerSchema):
    """The KH that a derived value rests on."""

    value = Number("As a test shows it.", attribute="meq_l")
    unit = Text("meq/L", dump_default="meq/L")
    display = Part(DisplaySchema, of={"value": "meq_l"})
    estimate = Estimated(
        "meq/L", "The alkalinity that this means: a count of drops overstates it by half a drop."
    )
    time = Moment("When it was tested; null: not known.", attribute="tested", allow_none=True)
    source = Text("Where it comes from.")


@lru_cache(maxsize=1024)
def _dkh(meq_l: float) -> float:
    """Cached, since it is asked for again and again between two tests."""
    return convert(meq_l, "meq/L", "dKH")
