"""Lux to photons, the dose of a day, and what reaches a depth."""

from __future__ import annotations

from datetime import timedelta
from typing import Final

from service.api.calculate.formula import Formula, given, sentences
from service.derive.calculations.light import photons
from service.schemas.fields import Choice, Number
from service.schemas.quantities import Measure
from service.schemas.times import SpanOf
from service.science.light.dose import UMOL_PER_LUX

LIGHT: Final = Formula(
    name="light",
    title="Photon flux and daily light integral from lux or PPFD, also at a depth",
    function=photons,
    asks={
        "illuminance": Measure("lx", "This or `ppfd`.", low=0, high=1e6),
        "ppfd": Measure("umol/m2/s", "This or `illuminance`.", low=0, high=1e5),
        "source": Choice("Kind of light; default white LED.", words=list(UMOL_PER_LUX)),
        "umol_per_lux": Number(
            "Of your own lamp, in umol/m2/s per lx; in place of `source`.", above=0, high=1
        ),
        "photoperiod": SpanOf(
            timedelta(hours=1),
            "How long a day.",
            attribute="photoperiod_h",
            longest=timedelta(days=1),
            zero=True,
        ),
        "depth": Measure("cm", "Below the surface; light measured in air.", low=0, high=1000),
        "attenuation": Number(
            "Of the water, per metre; default 0.5 (clear).",
            attribute="attenuation_per_m",
            low=0,
            high=100,
        ),
    },
    answers={
        "ppfd": Measure("umol/m2/s", "Where it was measured."),
        "dli": Measure("mol/m2/d", "Null without a photoperiod.", allow_none=True),
        "ppfd_at_depth": Measure("umol/m2/s", allow_none=True),
        "dli_at_depth": Measure("mol/m2/d", allow_none=True),
        "umol_per_lux": Number("The factor used; null where none was.", allow_none=True),
        "reasons": sentences(),
    },
    example=given(illuminance="9000 lx", photoperiod="PT8H"),
)
