"""Rule `gas-out`: no gas flows, CO2 stays near the air's level all day.

Judges the last day with two hours of light. Clears when CO2 rises clearly above the threshold.
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import timedelta

from service.advice.engine.recommendation import Amount, Evidence, Finding, Severity
from service.advice.engine.rule import Case, Rule
from service.advice.engine.work import Hazard, Who
from service.advice.phrases import sensor_source
from service.advice.rules.co2.last_day import LEAST_LIGHT, last_day
from service.derive.models import Co2Day

CODE = "gas-out"


def judge(case: Case) -> Iterator[Finding]:
    """One finding when CO2 never rose in the light of the last day."""
    day = no_gas(case)
    if day is None:
        return
    most = case.limit("gas_out_mg_l")
    yield Finding(
        code=CODE,
        severity=Severity.WARNING,
        title=f"No gas seems to flow: CO2 reached only {day.peak_mg_l:.0f} mg/L",
        action=(
            "Check in this order: cylinder pressure, valve and its timer, tubing, diffuser. Don't "
            "open the needle valve further: when gas flows again it would be too much. While there "
            f"is none, shorten the light to about {case.limit('photoperiod_shortest_h'):g} h, "
            "since light without CO2 feeds algae."
        ),
        evidence=(
            Evidence(
                "highest CO2 while lit", "co2", day.peak_mg_l, "mg/L", most,
                day.peak_at, sensor_source(case.view.co2.ph),
            ),
        ),
        amounts=(Amount("CO2 missing", case.view.co2.target_low_mg_l - day.peak_mg_l, "mg/L"),),
        hazards=(Hazard.CO2, Hazard.MAINS),
        who=Who.PRACTITIONER,
        confidence=0.85,
        since=day.on_at,
    )  # fmt: skip


def no_gas(case: Case, least_light: timedelta = LEAST_LIGHT) -> Co2Day | None:
    """The last day, if CO2 stayed so low all through its light that no gas can have flowed."""
    day = last_day(case, least_light)
    if not case.tank.co2_injected or day is None:
        return None
    most = case.limit("gas_out_mg_l") * (1.25 if case.active(CODE) else 1.0)
    return day if day.peak_mg_l <= most else None


RULE = Rule(CODE, "CO2 stays near the air's level while lit", judge)
