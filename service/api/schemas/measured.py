"""Parts that answers about a tank have in common: readings used, the alkalinity in force."""

from __future__ import annotations

from functools import lru_cache
from typing import Any, Final

from service.derive.models import Alkalinity
from service.schemas.base import Nested, Schema
from service.schemas.fields import Number, Text
from service.schemas.times import Moment
from service.store import Reading
from service.times import from_us
from service.units import QUANTITIES, convert


class InputSchema(Schema):
    """A reading that a derived value rests on."""

    value = Number(required=True)
    unit = Text("UCUM.", required=True)
    time = Moment("When it was measured.", required=True)
    sensor = Text(required=True)


class DisplaySchema(Schema):
    """The same in the unit of the trade."""

    value = Number(required=True)
    unit = Text(required=True)


class AlkalinityInputSchema(Schema):
    """The alkalinity that a derived value rests on."""

    value = Number(required=True)
    unit = Text("meq/L", required=True)
    display = Nested(DisplaySchema, required=True)
    time = Moment("When it was tested; null: not known.", allow_none=True, required=True)
    source = Text("Where it comes from.", required=True)


def reading_input(reading: Reading | None) -> dict[str, Any] | None:
    """A reading as an input of a derived value."""
    if reading is None:
        return None
    return {
        "value": reading.value,
        "unit": QUANTITIES[reading.quantity].ucum,
        "time": from_us(reading.time_us),
        "sensor": reading.sensor,
    }


def alkalinity_input(alkalinity: Alkalinity | None) -> dict[str, Any] | None:
    """The alkalinity in force as an input of a derived value."""
    if alkalinity is None:
        return None
    return {
        "value": alkalinity.meq_l,
        "unit": "meq/L",
        "display": {"value": _dkh(alkalinity.meq_l), "unit": "dKH"},
        "time": alkalinity.tested,
        "source": alkalinity.source,
    }


@lru_cache(maxsize=1024)
def _dkh(meq_l: float) -> float:
    """The alkalinity in dKH; kept, since it is asked again and again between two tests."""
    return convert(meq_l, "meq/L", "dKH")


REASONS: Final = "Sentences: why unknown, suspect or stale, and what else to know."
