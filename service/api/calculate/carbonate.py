"""``/v1/calculate/ph``, ``/kh`` and ``/bicarbonate``: the carbonate balance read backwards."""

from __future__ import annotations

import math
from typing import Any, Final

from service.api.calculate.blueprint import blueprint
from service.api.http.faults import refusals
from service.schemas.base import Items, Schema
from service.schemas.fields import Choice, Text
from service.schemas.quantities import Measure, Ph, alkalinity, hardness
from service.science.carbonate.inverse import (
    BICARBONATE_SALT_G_MOL,
    alkalinity_for_co2,
    bicarbonate_g_for_alkalinity,
    ph_for_co2,
)
from service.science.nutrients.limits import MAX_KH_STEP_DKH
from service.science.water.hardness import MEQ_L_PER_DEGREE

_WATER: Final = {
    "co2_mg_l": "/co2",
    "ph": "/ph",
    "alkalinity_meq_l": "/kh",
    "temperature_c": "/temperature",
    "gh_meq_l": "/gh",
    "conductivity_us_cm": "/conductivity",
    "target_meq_l": "/target",
    "volume_l": "/volume",
}


class PhQuestionSchema(Schema):
    """A CO2 aimed at, in water of a carbonate hardness and temperature."""

    co2 = Measure("mg/L", "Aimed at.", above=0, high=1000, required=True)
    kh = alkalinity("Carbonate hardness.", required=True)
    temperature = Measure("Cel", low=0, high=50, required=True)
    gh = hardness("Sharpens the ionic strength.")
    conductivity = Measure("uS/cm", "At 25 Cel.", low=0, high=10_000)


class PhAnswerSchema(Schema):
    """The pH at which the water holds that CO2."""

    ph = Ph("Null where no pH from 2 to 12 fits.", allow_none=True, required=True)
    reasons = Items(Text(longest=1000), required=True)


class KhQuestionSchema(Schema):
    """CO2, pH and temperature of a water."""

    co2 = Measure("mg/L", low=0, high=1000, required=True)
    ph = Ph(required=True)
    temperature = Measure("Cel", low=0, high=50, required=True)
    gh = hardness("Sharpens the ionic strength.")
    conductivity = Measure("uS/cm", "At 25 Cel.", low=0, high=10_000)


class KhAnswerSchema(Schema):
    """The carbonate hardness of that water."""

    kh = alkalinity("Null where it would be below 0.", allow_none=True, required=True)
    reasons = Items(Text(longest=1000), required=True)


class BicarbonateQuestionSchema(Schema):
    """A carbonate hardness to be raised."""

    volume = Measure("L", "Net water.", above=0, high=1e6, required=True)
    kh = alkalinity("Now.", required=True)
    target = alkalinity("Aimed at.", required=True)
    salt = Choice("Default NaHCO3.", words=list(BICARBONATE_SALT_G_MOL), load_default="NaHCO3")


class BicarbonateAnswerSchema(Schema):
    """How much of the salt."""

    salt = Choice(words=list(BICARBONATE_SALT_G_MOL), required=True)
    mass = Measure("g", "0 where the target is reached already.", required=True)
    days = Measure("d", "Over so many days at least, with fish in the tank.", required=True)
    cautions = Items(Text(longest=1000), required=True)


@blueprint.at("/ph", "POST")
@blueprint.body(
    PhQuestionSchema,
    example={
        "co2": {"value": 25, "unit": "mg/L"},
        "kh": {"value": 4, "unit": "dKH"},
        "temperature": {"value": 24, "unit": "Cel"},
    },
)
@blueprint.answers(200, PhAnswerSchema)
def ph(question: dict[str, Any]) -> dict[str, Any]:
    """The pH at which water holds a CO2 aimed at"""
    with refusals(_WATER):
        found = float(
            ph_for_co2(
                question["co2"],
                question["kh"],
                question["temperature"],
                gh_meq_l=question.get("gh"),
                conductivity_us_cm=question.get("conductivity"),
            )
        )
    if math.isnan(found):
        return {"ph": None, "reasons": ["no pH from 2 to 12 gives this CO2 in this water"]}
    return {"ph": found, "reasons": []}


@blueprint.at("/kh", "POST")
@blueprint.body(
    KhQuestionSchema,
    example={
        "co2": {"value": 0.6, "unit": "mg/L"},
        "ph": 8.1,
        "temperature": {"value": 24, "unit": "Cel"},
    },
)
@blueprint.answers(200, KhAnswerSchema)
def kh(question: dict[str, Any]) -> dict[str, Any]:
    """The carbonate hardness of water of a known CO2 and pH

    Such as of a sample aerated overnight, whose CO2 is that of the air.
    """
    with refusals(_WATER):
        found = float(
            alkalinity_for_co2(
                question["co2"],
                question["ph"],
                question["temperature"],
                gh_meq_l=question.get("gh"),
                conductivity_us_cm=question.get("conductivity"),
            )
        )
    if not found >= 0:
        return {"kh": None, "reasons": ["water so acid with so little CO2 has no alkalinity"]}
    return {"kh": found, "reasons": []}


@blueprint.at("/bicarbonate", "POST")
@blueprint.body(
    BicarbonateQuestionSchema,
    example={
        "volume": {"value": 180, "unit": "L"},
        "kh": {"value": 2, "unit": "dKH"},
        "target": {"value": 4, "unit": "dKH"},
    },
)
@blueprint.answers(200, BicarbonateAnswerSchema)
def bicarbonate(question: dict[str, Any]) -> dict[str, Any]:
    """How much bicarbonate raises the carbonate hardness to a target"""
    salt = question["salt"]
    with refusals(_WATER):
        grams = bicarbonate_g_for_alkalinity(
            question["kh"], question["target"], question["volume"], salt=salt
        )
    rise_dkh = max(question["target"] - question["kh"], 0.0) / MEQ_L_PER_DEGREE
    cautions = []
    if rise_dkh > MAX_KH_STEP_DKH:
        cautions.append(
            f"raise KH by no more than {MAX_KH_STEP_DKH:g} dKH a day with fish in the tank "
            "(common practice, no source)"
        )
    if rise_dkh > 0:
        cautions.append("pH rises with it at once: look at the animals, and at CO2 afterwards")
    days = math.ceil(rise_dkh / MAX_KH_STEP_DKH - 1e-9)
    return {"salt": salt, "mass": float(grams), "days": float(days), "cautions": cautions}
