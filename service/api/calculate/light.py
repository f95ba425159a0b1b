"""``/v1/calculate/light``: lux to photons, the dose of a day, and what reaches a depth."""

from __future__ import annotations

from datetime import timedelta
from typing import Any, Final

from service.api.calculate.blueprint import blueprint
from service.api.http.faults import invalid_field
from service.schemas.base import Items, Schema
from service.schemas.fields import Choice, Number, Text
from service.schemas.quantities import Measure
from service.schemas.times import SpanOf
from service.science.light.depth import SURFACE_TRANSMISSION, ppfd_at_depth
from service.science.light.dose import UMOL_PER_LUX, dli_from_constant_ppfd, ppfd_from_lux

_USUAL: Final = "white LED"
_HOUR: Final = timedelta(hours=1)


class LightQuestionSchema(Schema):
    """A constant light: as lux or as photon flux."""

    illuminance = Measure("lx", "This or `ppfd`.", low=0, high=1e6)
    ppfd = Measure("umol/m2/s", "This or `illuminance`.", low=0, high=1e5)
    source = Choice("Kind of light; default white LED.", words=list(UMOL_PER_LUX))
    umol_per_lux = Number(
        "Of your own lamp, in umol/m2/s per lx; in place of `source`.", above=0, high=1
    )
    photoperiod = SpanOf(_HOUR, "How long a day.", longest=timedelta(days=1), zero=True)
    depth = Measure("cm", "Below the surface; the light was measured in air.", low=0, high=1000)
    attenuation = Number("Of the water, per metre; default 0.5 (clear).", low=0, high=100)


class LightAnswerSchema(Schema):
    """The same as photons."""

    ppfd = Measure("umol/m2/s", "Where it was measured.", required=True)
    dli = Measure("mol/m2/d", "Null without a photoperiod.", allow_none=True, required=True)
    ppfd_at_depth = Measure("umol/m2/s", allow_none=True, required=True)
    dli_at_depth = Measure("mol/m2/d", allow_none=True, required=True)
    umol_per_lux = Number("The factor used; null where none was.", allow_none=True, required=True)
    reasons = Items(Text(longest=1000), required=True)


@blueprint.at("/light", "POST")
@blueprint.body(
    LightQuestionSchema,
    example={"illuminance": {"value": 9000, "unit": "lx"}, "photoperiod": "PT8H"},
)
@blueprint.answers(200, LightAnswerSchema)
def light(question: dict[str, Any]) -> dict[str, Any]:
    """Photon flux and daily light integral from lux or PPFD, also at a depth"""
    if ("illuminance" in question) == ("ppfd" in question):
        given = question.get("illuminance")
        raise invalid_field("/illuminance", given, "this or ppfd, one of them")
    if "source" in question and "umol_per_lux" in question:
        raise invalid_field("/umol_per_lux", question["umol_per_lux"], "this or source")
    factor, reasons = None, []
    if "illuminance" in question:
        source = question.get("source", _USUAL)
        factor = question.get("umol_per_lux", UMOL_PER_LUX[source])
        ppfd = float(ppfd_from_lux(question["illuminance"], factor))
        if "umol_per_lux" not in question:
            reasons.append(f"the factor is that of {source}; lamps of mixed colours need their own")
    else:
        ppfd = question["ppfd"]
    deep = None
    if "depth" in question:
        attenuation = question.get("attenuation", 0.5)
        deep = float(
            ppfd_at_depth(
                ppfd,
                question["depth"],
                attenuation,
                surface_transmission=SURFACE_TRANSMISSION,
            )
        )
        reasons.append("below a small lamp the light spreads too: measure where it matters")
    hours = question.get("photoperiod")
    return {
        "ppfd": ppfd,
        "dli": None if hours is None else float(dli_from_constant_ppfd(ppfd, hours)),
        "ppfd_at_depth": deep,
        "dli_at_depth": None
        if hours is None or deep is None
        else float(dli_from_constant_ppfd(deep, hours)),
        "umol_per_lux": factor,
        "reasons": reasons,
    }
