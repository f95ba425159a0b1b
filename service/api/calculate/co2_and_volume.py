"""``/v1/calculate/co2`` and ``/volume``."""

from __future__ import annotations

from typing import Any

from service.api.calculate.blueprint import blueprint
from service.api.calculate.schemas import (
    Co2AnswerSchema,
    Co2QuestionSchema,
    VolumeAnswerSchema,
    VolumeQuestionSchema,
)
from service.api.http.faults import refusals
from service.derive import calculations


@blueprint.at("/co2", "POST")
@blueprint.body(
    Co2QuestionSchema,
    example={
        "ph": 6.6,
        "kh": {"value": 4, "unit": "dKH"},
        "temperature": {"value": 24, "unit": "Cel"},
    },
)
@blueprint.answers(200, Co2AnswerSchema)
def co2(question: dict[str, Any]) -> dict[str, Any]:
    """Dissolved CO2 from pH, carbonate hardness and temperature

    The carbonate equilibrium with temperature-dependent constants and activity correction, with
    a 95 % interval. The trade's rule 3 * KH * 10^(7 - pH) stands beside it for comparison.
    """
    inputs = {name: question.get(name) for name in ("ph", "kh", "temperature")}
    optional = {name: question[name] for name in ("gh", "conductivity") if name in question}
    names = {"ph": "/ph", "alkalinity_meq_l": "/kh", "temperature_c": "/temperature"}
    with refusals(names | {"gh_meq_l": "/gh", "conductivity_us_cm": "/conductivity"}):
        answer = calculations.co2(
            question["ph"],
            question["kh"],
            question["temperature"],
            gh_meq_l=optional.get("gh"),
            conductivity_us_cm=optional.get("conductivity"),
            target=question.get("target", calculations.USUAL_TARGET_MG_L),
        )
    return {
        "co2": answer.co2,
        "method": calculations.CO2_METHOD,
        "inputs": inputs | optional,
        "target": answer.target,
        "state": answer.state,
        "rule_of_thumb": answer.rule_of_thumb_mg_l,
        "reasons": list(answer.reasons),
    }


@blueprint.at("/volume", "POST")
@blueprint.body(
    VolumeQuestionSchema,
    example={
        "length": {"value": 90, "unit": "cm"},
        "width": {"value": 45, "unit": "cm"},
        "height": {"value": 45, "unit": "cm"},
    },
)
@blueprint.answers(200, VolumeAnswerSchema)
def volume(question: dict[str, Any]) -> calculations.VolumeAnswer:
    """Water in a tank, from its dimensions and what stands in it"""
    parameters = {
        "length": "length_cm",
        "width": "width_cm",
        "height": "height_cm",
        "glass": "glass_cm",
        "fill_height": "fill_height_cm",
        "substrate_depth": "substrate_depth_cm",
        "substrate_porosity": "substrate_porosity",
        "hardscape": "hardscape_l",
    }
    arguments = {parameters[name]: value for name, value in question.items()}
    with refusals({parameter: f"/{name}" for name, parameter in parameters.items()}):
        return calculations.water_volume(**arguments)
