"""``/v1/calculate/water-change``, ``/blend``, ``/mix`` and ``/reuse``."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final

import numpy as np

from service.api.calculate.blueprint import blueprint
from service.api.calculate.water_schemas import (
    BlendAnswerSchema,
    BlendQuestionSchema,
    ChangeAnswerSchema,
    ChangeQuestionSchema,
    MixAnswerSchema,
    MixQuestionSchema,
    ReuseAnswerSchema,
    ReuseQuestionSchema,
)
from service.api.http.faults import invalid_field, refusals
from service.science.water.carbonate import water_after_change
from service.science.water.change import (
    changes_for_target,
    concentration_after_changes,
    fraction_for_target,
    steady_state,
)
from service.science.water.mix import blend_for_hardness, hot_and_cold_l, new_water_range_c
from service.science.water.reuse import reuse_for_plants

_HALF: Final = {"value": 50, "unit": "%"}


@blueprint.at("/water-change", "POST")
@blueprint.body(
    ChangeQuestionSchema,
    example={
        "fraction": _HALF,
        "volume": {"value": 160, "unit": "L"},
        "tank": {
            "ph": 6.6,
            "kh": {"value": 4, "unit": "dKH"},
            "temperature": {"value": 25, "unit": "Cel"},
        },
        "new": {
            "ph": 7.6,
            "kh": {"value": 6, "unit": "dKH"},
            "temperature": {"value": 22, "unit": "Cel"},
        },
        "substances": [
            {
                "name": "nitrate",
                "tank": {"value": 30, "unit": "mg/L"},
                "new": {"value": 5, "unit": "mg/L"},
                "target": {"value": 15, "unit": "mg/L"},
            }
        ],
    },
)
@blueprint.answers(200, ChangeAnswerSchema)
def water_change(question: dict[str, Any]) -> dict[str, Any]:
    """What a water change does to the water

    At once to KH, GH, pH, CO2 and temperature; over one or several changes to anything dissolved;
    and which fraction or number of changes brings a substance to a target.
    """
    fraction, changes = question["fraction"], question.get("changes", 1)
    tank, new = question.get("tank"), question.get("new")
    if (tank is None) != (new is None):
        missing = "new" if new is None else "tank"
        raise invalid_field(f"/{missing}", None, "both tank and new, or neither")
    volume = question.get("volume")
    return {
        "water_changed": None if volume is None else volume * fraction,
        "water": None if tank is None or new is None else _mixed(tank, new, fraction),
        "new_temperature": None if tank is None else _welcome(tank, fraction),
        "substances": [
            _substance(one, number, fraction, changes)
            for number, one in enumerate(question.get("substances", []))
        ],
    }


@blueprint.at("/blend", "POST")
@blueprint.body(
    BlendQuestionSchema,
    example={
        "tap": {"kh": {"value": 12, "unit": "dKH"}, "gh": {"value": 16, "unit": "dGH"}},
        "target": {"kh": {"value": 4, "unit": "dKH"}, "gh": {"value": 6, "unit": "dGH"}},
    },
)
@blueprint.answers(200, BlendAnswerSchema)
def blend(question: dict[str, Any]) -> dict[str, Any]:
    """How to let tap water down with softer water towards a KH and GH"""
    soft = question.get("soft", {"kh": 0.0, "gh": 0.0})
    found = blend_for_hardness(
        tap_kh_meq_l=question["tap"]["kh"],
        tap_gh_meq_l=question["tap"]["gh"],
        target_kh_meq_l=question["target"]["kh"],
        target_gh_meq_l=question["target"]["gh"],
        soft_kh_meq_l=soft["kh"],
        soft_gh_meq_l=soft["gh"],
    )
    volume = question.get("volume")
    return {
        "tap_share": found.tap_share,
        "tap": None if volume is None else volume * found.tap_share,
        "soft": None if volume is None else volume * (1 - found.tap_share),
        "kh": found.kh_meq_l,
        "gh": found.gh_meq_l,
        "kh_short": found.kh_short_meq_l,
        "gh_short": found.gh_short_meq_l,
        "kh_over": found.kh_over_meq_l,
        "gh_over": found.gh_over_meq_l,
    }


@blueprint.at("/mix", "POST")
@blueprint.body(
    MixQuestionSchema,
    example={
        "volume": {"value": 80, "unit": "L"},
        "target": {"value": 24, "unit": "Cel"},
        "cold": {"value": 12, "unit": "Cel"},
        "hot": {"value": 50, "unit": "Cel"},
    },
)
@blueprint.answers(200, MixAnswerSchema)
def mix(question: dict[str, Any]) -> dict[str, Any]:
    """How much hot and cold water makes water of a temperature"""
    names = {"litres": "/volume", "target_c": "/target", "cold_c": "/cold", "hot_c": "/hot"}
    with refusals(names):
        found = hot_and_cold_l(
            question["volume"], question["target"], question["cold"], question["hot"]
        )
    cautions = [
        "water above 45 Cel scalds; let cold water in first and stir",
        "water from a heated cylinder may carry copper, which kills shrimps and snails",
    ]
    return {"hot": float(found.hot_l), "cold": float(found.cold_l), "cautions": cautions}


@blueprint.at("/reuse", "POST")
@blueprint.body(
    ReuseQuestionSchema,
    example={
        "volume": {"value": 80, "unit": "L"},
        "salt_added": False,
        "medicated": False,
        "conductivity": {"value": 420, "unit": "uS/cm"},
    },
)
@blueprint.answers(200, ReuseAnswerSchema)
def reuse(question: dict[str, Any]) -> dict[str, Any]:
    """Whether old tank water is fit for plants in soil, and how much of it"""
    found = reuse_for_plants(
        question["volume"],
        salt_added=question["salt_added"],
        medicated=question["medicated"],
        conductivity_us_cm=question.get("conductivity"),
        alkalinity_meq_l=question.get("kh"),
        no3_mg_l=question.get("nitrate"),
    )
    return {
        "verdict": found.verdict,
        "volume": found.litres,
        "rainwater": found.rainwater_l,
        "reasons": list(found.reasons),
    }


def _mixed(tank: Mapping[str, Any], new: Mapping[str, Any], fraction: float) -> dict[str, Any]:
    """The tank right after one change."""
    if ("gh" in tank) != ("gh" in new):
        at = "/new/gh" if "gh" in tank else "/tank/gh"
        raise invalid_field(at, None, "gh of both tank and new, or of neither")
    names = {
        "ph": "/tank/ph",
        "alkalinity_meq_l": "/tank/kh",
        "temperature_c": "/tank/temperature",
        "new_ph": "/new/ph",
        "new_alkalinity_meq_l": "/new/kh",
        "new_temperature_c": "/new/temperature",
        "fraction": "/fraction",
    }
    with refusals(names):
        found = water_after_change(
            tank["ph"],
            tank["kh"],
            tank["temperature"],
            new_ph=new["ph"],
            new_alkalinity_meq_l=new["kh"],
            new_temperature_c=new["temperature"],
            fraction=fraction,
            gh_meq_l=tank.get("gh"),
            new_gh_meq_l=new.get("gh"),
        )
    return {
        "ph": _known(found.ph),
        "kh": float(found.alkalinity_meq_l),
        "gh": None if found.gh_meq_l is None else float(found.gh_meq_l),
        "temperature": float(found.temperature_c),
        "co2": _known(found.co2_mg_l),
    }


def _welcome(tank: Mapping[str, Any], fraction: float) -> tuple[float, float]:
    """The temperature the new water may have."""
    found = new_water_range_c(tank["temperature"], fraction)
    return float(found.low_c), float(found.high_c)


def _substance(
    one: Mapping[str, Any], number: int, fraction: float, changes: int
) -> dict[str, Any]:
    """One substance through one or several changes."""
    at = f"/substances/{number}"
    names = {"c0": f"{at}/tank", "c_tap": f"{at}/new", "target": f"{at}/target"}
    fraction_needed, changes_needed, settles = None, None, None
    with refusals(names):
        after = float(concentration_after_changes(one["tank"], one["new"], fraction, changes))
        if "target" in one:
            way = (one["tank"], one["new"], one["target"])
            fraction_needed = float(fraction_for_target(*way, changes))
            needed = float(changes_for_target(*way, fraction))
            changes_needed = int(needed) if np.isfinite(needed) else None
        if "rise" in one:
            found = steady_state(one["new"], fraction, one["rise"])
            settles = (float(found.after), float(found.before))
    return {
        "name": one["name"],
        "after": after,
        "fraction": fraction_needed,
        "changes": changes_needed,
        "settles": settles,
    }


def _known(value: Any) -> float | None:
    number = float(value)
    return None if np.isnan(number) else number
