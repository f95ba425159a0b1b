"""A pH electrode's line and state from its buffers."""

from __future__ import annotations

from typing import Any, Final

from service.api.calculate.formula import Formula, given, sentences
from service.derive.calculations.electrode import BufferReading, electrode
from service.schemas.base import Items, ValueSchema
from service.schemas.fields import Choice, Number
from service.schemas.quantities import Fraction, Measure, Ph
from service.science.sensors.buffers import BUFFER_SETS

_BUFFERS: Final = sorted({name for names in BUFFER_SETS.values() for name in names})


class BufferReadingSchema(ValueSchema):
    """One buffer, read by the electrode."""

    makes = BufferReading

    buffer = Choice("Name within its set.", words=_BUFFERS, required=True)
    reading = Measure("mV", attribute="millivolts", low=-2000, high=2000, required=True)
    temperature = Measure("Cel", "Default 25 Cel.", attribute="temperature_c", low=10, high=40)


def _of_set(name: str) -> dict[str, Any]:
    """A question with buffers of one set, as JSON Schema."""
    buffer = {"properties": {"buffer": {"enum": list(BUFFER_SETS[name])}}}
    points = {"items": buffer}
    named: dict[str, Any] = {} if name == "technical" else {"required": ["buffers"]}
    return {"properties": {"buffers": {"const": name}, "points": points}, **named}


ELECTRODE: Final = Formula(
    name="electrode",
    title="A pH electrode's offset, slope and state from two or more buffers",
    function=electrode,
    asks={
        "buffers": Choice(
            "Which set; default technical.", attribute="buffer_set", words=list(BUFFER_SETS)
        ),
        "points": Items(BufferReadingSchema, shortest=2, longest=20, required=True),
        "reading": Measure(
            "mV", "To be turned into pH.", attribute="millivolts", low=-2000, high=2000
        ),
        "temperature": Measure("Cel", "Of that reading; default 25 Cel.", low=0, high=60),
    },
    answers={
        "offset": Measure("mV", "At pH 7.", attribute="line.offset_mv"),
        "slope": Fraction("Of Nernst.", attribute="line.slope"),
        "nernst": Number("mV per pH at 25 Cel.", attribute="nernst_mv_per_ph"),
        "residual": Number("pH by which a buffer lies off the line.", attribute="line.residual_ph"),
        "state": Choice(words=("good", "ageing", "replace"), attribute="verdict.state"),
        "ph": Ph("Of the reading.", allow_none=True),
        "reasons": Items(sentences().inner, attribute="verdict.reasons"),
    },
    together={"oneOf": [_of_set(name) for name in BUFFER_SETS]},
    example=given(
        points=[given(buffer="7.00", reading="4 mV"), given(buffer="4.01", reading="178 mV")],
        reading="25 mV",
    ),
)
