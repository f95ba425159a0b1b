"""Fields of what is known of a water beside pH, KH and temperature, and how these were measured."""

from __future__ import annotations

from typing import Any, Final

import marshmallow as ma

from service.registry.fields.kh_kit import KhKitSchema
from service.schemas.answers import AnswerSchema
from service.schemas.base import Nested, Schema
from service.schemas.quantities import Measure, Ph, carbonate_hardness, general_hardness

Fields = dict[str, ma.fields.Field[Any]]

IONS: Final[Fields] = {
    "gh": general_hardness("General hardness; sharpens the ionic strength."),
    "conductivity": Measure("uS/cm", "At 25 Cel; sharpens the ionic strength.", low=0, high=8_000),
    "no3": Measure(
        "mg/L", "Nitrate; sharpens the ionic strength.", low=0, high=1000, attribute="nitrate_mg_l"
    ),
    "k": Measure(
        "mg/L",
        "Potassium; sharpens the ionic strength.",
        low=0,
        high=1000,
        attribute="potassium_mg_l",
    ),
}

OTHER_BASES: Final[Fields] = {
    "po4": Measure(
        "mg/L", "Phosphate: a KH test counts it.", low=0, high=1000, attribute="phosphate_mg_l"
    ),
    "organic_carbon": Measure(
        "mg/L",
        "Dissolved, of humic kind (brown water: 5 to 20): a KH test counts humic acids.",
        low=0,
        high=1000,
    ),
}

MEASURED: Final[Fields] = {
    "kh_kit": Nested(
        KhKitSchema,
        "How KH was tested: `kh` is then what the test showed. Without it `kh` is taken as the "
        "alkalinity itself, give or take 1 dKH.",
    ),
    "ph_error": Ph(
        "Limits of error of the probe, as its maker states them or as its last calibration left "
        "them; default 0.1.",
        low=0,
        high=2,
    ),
    "kh_error": carbonate_hardness(
        "Limits of error of KH, in place of those that the test has.",
        attribute="kh_error_meq_l",
        high=10,
    ),
    "temperature_error": Measure(
        "K",
        "Limits of error of the thermometer, in kelvin; default 0.5.",
        attribute="temperature_error_c",
        low=0,
        high=10,
    ),
}
"""Limits of error count as rectangular: JCGM 100:2008, 4.3.7."""


class Co2InputsSchema(Schema):
    """The inputs as they were understood."""

    ph = Ph(required=True)
    kh = carbonate_hardness("", attribute="alkalinity_meq_l", required=True)
    temperature = Measure("Cel", attribute="temperature_c", required=True)
    gh = general_hardness("", attribute="gh_meq_l")
    conductivity = Measure("uS/cm", attribute="conductivity_us_cm")
    no3 = Measure("mg/L", attribute="nitrate_mg_l")
    k = Measure("mg/L", attribute="potassium_mg_l")
    po4 = Measure("mg/L", attribute="phosphate_mg_l")
    organic_carbon = Measure("mg/L", attribute="organic_carbon_mg_l")


class InputErrorsSchema(AnswerSchema):
    """Limits of error of the inputs."""

    ph = Ph(low=0, high=2)
    kh = carbonate_hardness("", attribute="alkalinity_meq_l")
    temperature = Measure("K", attribute="temperature_c")
