"""What ``/v1/calculate/…`` reads and answers."""

from __future__ import annotations

from service.derive.models import Co2State
from service.schemas.base import Items, Nested, Schema
from service.schemas.fields import Choice, Number, Text
from service.schemas.quantities import Measure, Ph, alkalinity, hardness
from service.schemas.ranges import Estimated, Range


class Co2QuestionSchema(Schema):
    """pH, carbonate hardness and temperature of the water."""

    ph = Ph("As a calibrated glass electrode shows it.", required=True)
    kh = alkalinity("Carbonate hardness (alkalinity).", required=True)
    temperature = Measure("Cel", "Of the water.", low=0, high=50, required=True)
    gh = hardness("General hardness; sharpens the ionic strength.")
    conductivity = Measure("uS/cm", "At 25 Cel; sharpens the ionic strength.", low=0, high=10_000)
    target = Range(
        "mg/L", "Range aimed at; default 20 to 30 mg/L (common practice).", low=0, high=1000
    )


class Co2InputsSchema(Schema):
    """The inputs as they were understood."""

    ph = Ph(required=True)
    kh = alkalinity("", required=True)
    temperature = Measure("Cel", required=True)
    gh = hardness("")
    conductivity = Measure("uS/cm")


class Co2AnswerSchema(Schema):
    """CO2 with its interval."""

    co2 = Estimated("mg/L", "Dissolved CO2; null when unknown.", allow_none=True)
    method = Text("Name of the formula.")
    inputs = Nested(Co2InputsSchema)
    target = Range("mg/L", "Range aimed at.")
    state = Choice("Where the value lies against the target.", words=list(Co2State))
    rule_of_thumb = Measure(
        "mg/L",
        "The trade's rule 3 * KH * 10^(7 - pH), for comparison (common practice, no source).",
    )
    reasons = Items(Text(longest=1000), "Why unknown; empty when there is nothing to say.")


class VolumeQuestionSchema(Schema):
    """Dimensions of a tank: inner ones, or outer ones with the thickness of the glass."""

    length = Measure("cm", "Length.", above=0, high=10_000, required=True)
    width = Measure("cm", "Front to back.", above=0, high=10_000, required=True)
    height = Measure("cm", "Bottom to rim.", above=0, high=10_000, required=True)
    glass = Measure("cm", "Thickness of the panes; 0 for inner dimensions.", low=0, high=100)
    fill_height = Measure("cm", "Bottom to surface; default: to the rim.", above=0, high=10_000)
    substrate_depth = Measure("cm", "Mean depth of soil or gravel.", low=0, high=10_000)
    substrate_porosity = Number("Share of the substrate that is water.", low=0, high=1)
    hardscape = Measure("L", "Volume of rock and wood above the substrate.", low=0, high=1e6)


class VolumeAnswerSchema(Schema):
    """Volume of the box and of the water in it."""

    gross = Measure("L", "Length x width x height.", attribute="gross_l")
    net = Measure("L", "Water.", attribute="net_l")
    displaced = Measure(
        "L", "Glass, air, substrate and hardscape: gross less net.", attribute="displaced_l"
    )
