"""Rule `co2-comfort`: CO2 is tolerable, but above what all animals are comfortable with.

Judges the last 24 h. A remark: nothing has to be done today. Clears when the minutes above have
halved, or when CO2 is above what the animals tolerate (`co2-high` takes over).
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import timedelta

from service.advice.engine.recommendation import Amount, Evidence, Finding, Severity
from service.advice.engine.rule import Case, Rule
from service.advice.engine.work import Hazard
from service.advice.phrases import sensor_source, span
from service.advice.rules.co2.high import is_high

CODE = "co2-comfort"


def judge(case: Case) -> Iterator[Finding]:
    """One remark while CO2 is for hours a day above what the animals are comfortable with."""
    calm, ceiling = case.view.co2_uncomfortable, case.view.tolerance.co2
    if calm is None or ceiling is None or is_high(case):
        return
    least = case.limit("co2_comfort_min")
    if calm.minutes < case.eased(least, 0.5, CODE):
        return
    new = ", lowered because they are new" if calm.newcomers else ""
    yield Finding(
        code=CODE,
        severity=Severity.INFO,
        title=f"CO2 is higher than {ceiling.comfortable_species} likes",
        action=(
            f"Nothing to do today. CO2 was above {calm.ceiling_mg_l:.0f} mg/L for "
            f"{span(calm.minutes)} of the last 24 h, up to {calm.peak_mg_l:.0f} mg/L. The animals "
            f"tolerate up to {ceiling.co2_mg_l:.0f} mg/L{new}."
        ),
        keeper_action=(
            "Aim lower when CO2 is next adjusted, or enter the animals' own CO2 limits in "
            "the tank's animals."
        ),
        evidence=(
            Evidence(
                "highest CO2 of the last 24 h", "co2", calm.peak_mg_l, "mg/L", calm.ceiling_mg_l,
                calm.peak_at, sensor_source(case.view.co2.ph),
            ),
            Evidence("minutes above", "co2-above-minutes", calm.minutes, "min", least),
        ),
        amounts=(Amount("time above", calm.minutes, "min"),),
        hazards=(Hazard.ANIMALS,),
        confidence=0.6,
    )  # fmt: skip


RULE = Rule(
    CODE,
    "CO2 that the animals tolerate, but for hours more than all of them are comfortable with",
    judge,
    timedelta(hours=3),
    settling=timedelta(days=7),
)
