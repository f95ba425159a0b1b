"""``/v1/calculate/gases`` and ``/ammonia``: what warm water holds, and what harms in it."""

from __future__ import annotations

from typing import Any

from service.api.calculate.blueprint import blueprint
from service.api.http.faults import refusals
from service.schemas.base import Schema
from service.schemas.quantities import Measure, Ph, Share
from service.science.gas_exchange.air_water import (
    CO2_PPM_ROOM,
    co2_air_equilibrium_mg_l,
    oxygen_saturation_mg_l,
    pressure_atm_from_altitude,
)
from service.science.water.ammonia import (
    HARMFUL_NH3_N_MG_L,
    unionised_ammonia_mg_l,
    unionised_fraction,
)


class GasesQuestionSchema(Schema):
    """Water in equilibrium with air."""

    temperature = Measure("Cel", low=0, high=40, required=True)
    altitude = Measure("m", "Default: sea level.", low=-400, high=9000)


class GasesAnswerSchema(Schema):
    """What the water holds."""

    oxygen = Measure("mg/L", "Benson & Krause 1984.", required=True)
    co2_outdoors = Measure("mg/L", "Weiss 1974, at 420 ppm.", required=True)
    co2_room = Measure("mg/L", "The same at 600 ppm, as in a lived-in room.", required=True)


class AmmoniaQuestionSchema(Schema):
    """Total ammonia of a water."""

    total = Measure("mg/L", "As N.", low=0, high=1000, required=True)
    ph = Ph(required=True)
    temperature = Measure("Cel", low=0, high=40, required=True)


class AmmoniaAnswerSchema(Schema):
    """The un-ionised part, which harms."""

    unionised = Measure("mg/L", "As N.", required=True)
    share = Share("Emerson et al. 1975.", required=True)
    harmful_from = Measure("mg/L", "Gills are harmed from here on.", required=True)


@blueprint.at("/gases", "POST")
@blueprint.body(GasesQuestionSchema, example={"temperature": {"value": 25, "unit": "Cel"}})
@blueprint.answers(200, GasesAnswerSchema)
def gases(question: dict[str, Any]) -> dict[str, Any]:
    """Oxygen and CO2 of water in equilibrium with air"""
    with refusals({"altitude_m": "/altitude", "temperature_c": "/temperature"}):
        pressure = float(pressure_atm_from_altitude(question.get("altitude", 0.0)))
        celsius = question["temperature"]
        room = co2_air_equilibrium_mg_l(celsius, co2_ppm=CO2_PPM_ROOM, pressure_atm=pressure)
        return {
            "oxygen": float(oxygen_saturation_mg_l(celsius, pressure_atm=pressure)),
            "co2_outdoors": float(co2_air_equilibrium_mg_l(celsius, pressure_atm=pressure)),
            "co2_room": float(room),
        }


@blueprint.at("/ammonia", "POST")
@blueprint.body(
    AmmoniaQuestionSchema,
    example={
        "total": {"value": 0.5, "unit": "mg/L"},
        "ph": 7.8,
        "temperature": {"value": 27, "unit": "Cel"},
    },
)
@blueprint.answers(200, AmmoniaAnswerSchema)
def ammonia(question: dict[str, Any]) -> dict[str, Any]:
    """The un-ionised part of total ammonia"""
    ph, celsius = question["ph"], question["temperature"]
    return {
        "unionised": float(unionised_ammonia_mg_l(question["total"], ph, celsius)),
        "share": float(unionised_fraction(ph, celsius)),
        "harmful_from": HARMFUL_NH3_N_MG_L,
    }
