"""Lux to photons, the dose of a day, and what reaches a depth."""

from __future__ import annotations

from datetime import timedelta
from typing import Final

from service.api.calculate.formula import Formula, given, sentences
from service.derive.calculations.light import (
    DepthReading,
    LightPair,
    light_attenuation,
    light_sensor,
    photons,
)
from service.schemas.base import Items, ValueSchema
from service.schemas.fields import Choice, Number
from service.schemas.quantities import Measure
from service.schemas.times import SpanOf
from service.schemas.together import all_of, exactly_one, not_both
from service.science.light.dose import UMOL_PER_LUX


class LightPairSchema(ValueSchema):
    """A lux sensor beside a PAR meter."""

    makes = LightPair

    illuminance = Measure("lx", attribute="illuminance_lux", above=0, high=1e6, required=True)
    ppfd = Measure("umol/m2/s", attribute="ppfd_umol_m2_s", above=0, high=1e5, required=True)


class DepthReadingSchema(ValueSchema):
    """Photon flux under water."""

    makes = DepthReading

    depth = Measure("cm", attribute="depth_cm", low=0, high=1000, required=True)
    ppfd = Measure("umol/m2/s", attribute="ppfd_umol_m2_s", above=0, high=1e5, required=True)


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
    together=all_of(exactly_one("illuminance", "ppfd"), not_both("source", "umol_per_lux")),
    example=given(illuminance="9000 lx", photoperiod="PT8H"),
)

LIGHT_SENSOR: Final = Formula(
    name="light-sensor",
    title="The factor of your own lux sensor from readings beside a PAR meter",
    about="Take pairs at several brightnesses, both in the same place. A scatter above 0.1: the "
    "lamp's colour changes as it dims, or the two were not in the same place.",
    function=light_sensor,
    asks={"pairs": Items(LightPairSchema, shortest=1, longest=100, required=True)},
    answers={
        "umol_per_lux": Number("For `umol_per_lux` of a sensor or calculation."),
        "low": Number("Of the 95 % interval."),
        "high": Number("Of the 95 % interval."),
        "scatter": Number("Relative, of the pairs; null for one pair.", allow_none=True),
    },
    example=given(
        pairs=[
            given(illuminance="9000 lx", ppfd="131 umol/m2/s"),
            given(illuminance="4500 lx", ppfd="66 umol/m2/s"),
        ]
    ),
)

LIGHT_ATTENUATION: Final = Formula(
    name="light-attenuation",
    title="How fast light fades with depth in a tank, from readings at several depths",
    function=light_attenuation,
    asks={
        "points": Items(
            DepthReadingSchema, "Of two depths or more.", shortest=2, longest=100, required=True
        )
    },
    answers={
        "attenuation": Number("Per metre, for `light`.", attribute="attenuation_per_m"),
        "low": Number("Null with two readings.", attribute="low_per_m", allow_none=True),
        "high": Number("Null with two readings.", attribute="high_per_m", allow_none=True),
        "surface": Measure("umol/m2/s", "Just below it."),
    },
    example=given(
        points=[
            given(depth="5 cm", ppfd="180 umol/m2/s"),
            given(depth="20 cm", ppfd="140 umol/m2/s"),
            given(depth="40 cm", ppfd="100 umol/m2/s"),
        ]
    ),
)
