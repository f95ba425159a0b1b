"""``/v1/calculate/electrode``: a pH electrode's line and state from its buffers."""

from __future__ import annotations

from typing import Any

from service.api.calculate.blueprint import blueprint
from service.api.http.faults import invalid_field, refusals
from service.schemas.base import Items, Schema
from service.schemas.fields import Choice, Number, Text
from service.schemas.quantities import Measure, Ph, Share
from service.science.sensors.buffers import BUFFER_SETS, buffer
from service.science.sensors.ph_electrode import (
    CalibrationPoint,
    calibrate,
    electrode_verdict,
    nernst_mv_per_ph,
    ph_from_millivolts,
)

_BUFFERS = sorted({name for names in BUFFER_SETS.values() for name in names})


class BufferReadingSchema(Schema):
    """One buffer, read by the electrode."""

    buffer = Choice("Name within its set.", words=_BUFFERS, required=True)
    reading = Measure("mV", low=-2000, high=2000, required=True)
    temperature = Measure("Cel", "Default 25 Cel.", low=10, high=40)


class ElectrodeQuestionSchema(Schema):
    """Buffers read by an electrode."""

    buffers = Choice("Which set; default technical.", words=list(BUFFER_SETS))
    points = Items(BufferReadingSchema, longest=20, required=True)
    reading = Measure("mV", "To be turned into pH.", low=-2000, high=2000)
    temperature = Measure("Cel", "Of that reading; default 25 Cel.", low=0, high=60)


class ElectrodeAnswerSchema(Schema):
    """The electrode."""

    offset = Measure("mV", "At pH 7.", required=True)
    slope = Share("Of Nernst.", required=True)
    nernst = Number("mV per pH at 25 Cel.", required=True)
    residual = Number("pH by which a buffer lies off the line.", required=True)
    state = Choice(words=("good", "ageing", "replace"), required=True)
    ph = Ph("Of the reading.", allow_none=True, required=True)
    reasons = Items(Text(longest=1000), required=True)


@blueprint.at("/electrode", "POST")
@blueprint.body(
    ElectrodeQuestionSchema,
    example={
        "points": [
            {"buffer": "7.00", "reading": {"value": 4, "unit": "mV"}},
            {"buffer": "4.01", "reading": {"value": 178, "unit": "mV"}},
        ],
        "reading": {"value": 25, "unit": "mV"},
    },
)
@blueprint.answers(200, ElectrodeAnswerSchema)
def electrode(question: dict[str, Any]) -> dict[str, Any]:
    """A pH electrode's offset, slope and state from two or more buffers"""
    chosen = question.get("buffers", "technical")
    points = []
    for number, one in enumerate(question["points"]):
        if one["buffer"] not in BUFFER_SETS[chosen]:
            allowed = f"{', '.join(BUFFER_SETS[chosen])} in the set {chosen}"
            raise invalid_field(f"/points/{number}/buffer", one["buffer"], allowed)
        celsius = one.get("temperature", 25.0)
        points.append(CalibrationPoint(buffer(chosen, one["buffer"]), one["reading"], celsius))
    with refusals({"points": "/points", "millivolts": "/points"}):
        line = calibrate(points)
    verdict = electrode_verdict(line)
    ph = None
    if "reading" in question:
        celsius = question.get("temperature", 25.0)
        ph = float(ph_from_millivolts(question["reading"], celsius, line))
    return {
        "offset": line.offset_mv,
        "slope": line.slope,
        "nernst": float(nernst_mv_per_ph(25.0)),
        "residual": line.residual_ph,
        "state": verdict.state,
        "ph": ph,
        "reasons": list(verdict.reasons),
    }
